"""`aliquot cuts`: what it prints, how it ends, and that its replay strings make the case again."""

import json

import pytest

from aliquot_host import cli, cut_scenarios, cuts
from aliquot_host.cut_checks import Broken
from aliquot_host.cuts import Case, Tally
from aliquot_host.flash import BOARDS, Cutter

CASES = (
    "rp2-small-standard-1-300c",
    "rp2-small-standard-1-812h",
    "rp2-small-standard-1-m17d",
    "esp32-small-short-1-40g",
    "esp32-small-short-1-40c-7g",
    "rp2-small-short-1-m1b-3h-8c",
)


def run(capsys, *arguments):
    """(exit code, stdout, stderr) of the command."""
    code = cli.run(["cuts", *arguments])
    out = capsys.readouterr()
    return code, out.out, out.err


def content(case):
    """What the flash holds at the end of a case, the scenario lived through anew."""
    cuts.recording.cache_clear()
    life = cuts.relive(case)
    return bytes(life.flash.buffer), life.truth


@pytest.mark.parametrize("name", CASES)
def test_a_replay_string_makes_the_same_case_again_to_the_byte(name):
    case = cuts.parse(name)
    assert case.name == name
    assert content(case) == content(case)


@pytest.mark.parametrize("board", BOARDS)
def test_a_replay_is_the_case_that_the_mode_tried(board):
    """The mode makes many cases from one recovery, a replay makes one from nothing."""
    case = Case(board, "small", "short", 1, ())
    one = case.then(20, "c")
    with cut_scenarios.sized("small"):
        found = cuts.recorded(case)
        life = cuts.first_life(one, found)
        begin = cuts.noted(life)
        life.start()
        log = life.flash.log
        cutter = Cutter(begin, log)
        for n, tear in ((1, "g"), (len(log) // 2, "h"), (len(log), "c")):
            after = cuts.next_life(life, cutter, n, tear)
            cuts.live_on(after, cuts.LIVE_S["short"])
            assert content(one.then(n, tear)) == (bytes(after.flash.buffer), after.truth)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nonsense", "board-sizes-scenario-seed-cut"),
        ("", "board-sizes-scenario-seed-cut"),
        ("rp2-small-standard-1-3x", "board-sizes-scenario-seed-cut"),
        ("rp2-small-standard-²-3c", "board-sizes-scenario-seed-cut"),
        ("rp2-small-standard-1-3c-m3d", "board-sizes-scenario-seed-cut"),
        ("rp2-small-standard-1-" + "9" * 5000 + "c", "board-sizes-scenario-seed-cut"),
        ("rp2-small-short-1-5000c", "is the last one of this scenario"),
        ("rp2-small-short-1-m3d", "2 is the last one of this scenario"),
        ("rp2-small-short-1-3c-9000c", "changes follow, not 9000"),
    ],
)
def test_a_replay_string_that_is_none_is_bad_input(text, words, capsys):
    code, out, err = run(capsys, "--replay", text)
    assert (code, out) == (2, "")
    assert "--replay" in err
    assert words in err


def test_a_bit_that_flips_has_no_half(capsys):
    found = cuts.recorded(Case("rp2", "small", "standard", 1, ()))
    place = next(n for n, change in enumerate(found.log) if change.flip)
    code, _, err = run(capsys, "--replay", f"rp2-small-standard-1-{place}h")
    assert code == 2
    assert "no half" in err
    assert run(capsys, "--replay", f"rp2-small-standard-1-{place}c")[0] == 0


@pytest.mark.parametrize(
    "arguments",
    [("--tears", "cx"), ("--tears", ""), ("--tears", "cc"), ("--seed", "-1"), ("--jobs", "0")],
)
def test_options_that_cannot_be_are_bad_input(arguments, capsys):
    assert run(capsys, "--mode", "none", *arguments)[0] == 2


def test_it_says_what_happened_and_how_many_cuts_were_tried(capsys):
    code, out, err = run(
        capsys, "--board", "rp2", "--scenario", "short", "--tears", "c", "--jobs", "1"
    )
    assert (code, err) == (0, "")
    for words in ("program", "erase", "run of a motor", "rotation", "act: new configuration"):
        assert words in out
    found = cuts.recorded(Case("rp2", "small", "short", 1, ()))
    many = len(found.log) + 1 + 3 * found.kinds["run of a motor"]
    assert f"{many} cuts, 0 violations." in out


def test_the_standard_scenario_has_all_that_it_is_for_and_json_says_so(capsys):
    code, out, _ = run(capsys, "--mode", "none", "--json")
    told = json.loads(out)
    assert code == 0
    assert (told["format"], told["version"], told["passed"]) == ("aliquot-cuts", 1, True)
    assert [one["board"] for one in told["runs"]] == list(BOARDS)
    for one in told["runs"]:
        assert one["happened"]["rotation"] >= 3
        assert min(one["happened"].values()) > 0
        assert sum(kind.startswith("dose of ") for kind in one["happened"]) == 3
        for act in ("trim", "override", "extra", "refill", "calibration", "new tubing"):
            assert one["happened"]["act: " + act] == 1
        for act in ("new configuration", "changed zone", "file changed from outside"):
            assert one["happened"]["act: " + act] == 1
        for kind in ("record that a full flash did not take", "block that went bad"):
            assert one["happened"][kind] > 0
        assert one["happened"]["flipped bit"] > 0
        assert one["happened"]["start that refused a changed file"] > 0
        assert set("IOUJMPDXHhFKNECVTBG") <= set(one["records"])
        assert one["lacks"] == one["violations"] == []


def test_a_kind_that_did_not_happen_fails(capsys, monkeypatch):
    script, hours = cut_scenarios.SCRIPTS["short"]
    less = tuple(row for row in script if row[1] != "refill")
    monkeypatch.setitem(cut_scenarios.SCRIPTS, "short", (less, hours))
    cuts.recording.cache_clear()
    try:
        code, out, err = run(capsys, "--mode", "none", "--scenario", "short", "--board", "rp2")
    finally:
        cuts.recording.cache_clear()
    assert code == 1
    assert "LACKS record F (filled): 0, must be at least 1" in out
    assert "did not pass" in err


def test_a_cut_left_out_fails(capsys, monkeypatch):
    whole = cuts.singles
    monkeypatch.setattr(cuts, "singles", lambda *given: whole(*given)[:-1])
    few = ("--board", "rp2", "--scenario", "short", "--tears", "c", "--jobs", "1")
    code, out, _ = run(capsys, *few)
    assert code == 1
    assert "The cuts tried are not the cuts expected." in out


def test_a_violation_is_printed_with_its_number_and_its_replay_string(capsys, monkeypatch):
    def broken(life, *_):
        raise Broken("S5", "a dose runs again")

    monkeypatch.setattr(cuts, "live_on", broken)
    few = ("--board", "rp2", "--scenario", "short", "--jobs", "1")
    code, out, _ = run(capsys, *few)
    assert code == 1
    assert "VIOLATION S5: a dose runs again\n  aliquot cuts --replay rp2-small-short-1-0c\n" in out
    code, out, _ = run(capsys, *few, "--json")
    assert code == 1
    told = json.loads(out)["runs"][0]["violations"][0]
    assert told == {
        "number": "S5", "text": "a dose runs again", "replay": "rp2-small-short-1-0c"
    }  # fmt: skip
    assert run(capsys, "--replay", "rp2-small-short-1-0c")[0] == 1


def test_many_processes_try_what_one_does(monkeypatch):
    case = Case("rp2", "small", "short", 1, ())
    one, _ = cuts.cut("every", case, "ch", 1)
    three, _ = cuts.cut("every", case, "ch", 3)
    assert isinstance(one, Tally)
    assert one == three
