"""`aliquot liquid`: strengths, grams, solubility, and a new batch in a set-up."""

import json

import pytest

from aliquot_host import cli, resources, setup_file, stocks
from aliquot_host.commands import liquid
from aliquot_host.errors import BadInput
from aliquot_host.stocks import SALTS, Part


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    """Runs the command beside reef.toml: (exit code, stdout, stderr)."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "reef.toml").write_bytes(resources.examples()["demo_reef"].read_bytes())

    def do(*arguments):
        code = cli.run(["liquid", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


def alk(tmp_path):
    return setup_file.load(tmp_path / "reef.toml").data["channel"][0]


def test_grams_for_a_strength_and_back(run):
    told = json.loads(run("Na2CO3", "--want", "0.06", "--json")[1])
    grams = told["parts"][0]["g_l"]
    again = json.loads(run(f"Na2CO3:{grams}", "--json")[1])
    assert again["raises_100_l_by_1_ml"] == pytest.approx(0.06)
    pure = json.loads(run("Na2CO3", "--want", "0.06", "--purity", "80", "--json")[1])
    assert pure["parts"][0]["g_l"] == pytest.approx(grams / 0.8)


def test_a_mixture_of_magnesium_salts_keeps_its_proportion(run):
    told = json.loads(run("MgCl2·6H2O:300", "MgSO4*7H2O:30", "--want", "0.5", "--json")[1])
    first, second = (part["g_l"] for part in told["parts"])
    assert first / second == pytest.approx(10)
    assert told["raises_100_l_by_1_ml"] == pytest.approx(0.5)
    alone = stocks.fullness([Part(SALTS["MgCl2.6H2O"], first)])
    assert told["fullness"] > alone


def test_what_does_not_dissolve_is_said_with_what_would(run):
    code, _, err = run("NaHCO3:120")
    assert code == 1
    assert "does not dissolve at 20 °C" in err
    most = float(err.split("a litre holds ")[1].split(" g of")[0])
    assert run(f"NaHCO3:{most}")[0] == 0
    assert run(f"NaHCO3:{most + 0.2}")[0] == 1
    # 8.73 % of a density near 1.06 are some 92 g/L.
    assert stocks.full_g_l(SALTS["NaHCO3"], 20) == pytest.approx(92.5, abs=1.0)
    assert run("NaHCO3:85")[1].count("crystals fall out") == 1
    assert run("NaHCO3:70")[1].count("crystals fall out") == 0


def test_warmth_dissolves_more_and_never_beyond_the_table():
    for salt in SALTS.values():
        found = [stocks.full_g_l(salt, celsius) for celsius in range(26)]
        assert found == sorted(set(found))
        assert stocks.full_g_l(salt, -5) == found[0]
        assert stocks.full_g_l(salt, 39) == found[-1]


def test_a_stock_for_a_cool_room_is_judged_by_the_cold(run):
    """150 g/L of sodium carbonate stay clear at 20 °C and crystallise in a cellar."""
    assert run("Na2CO3:150")[0] == 0
    code, _, err = run("Na2CO3:150", "--temperature", "10")
    assert code == 1
    assert "at 10 °C" in err


@pytest.mark.parametrize(
    ("key", "zero", "twenty"),
    [("NaHCO3", 6.9, 9.6), ("Na2CO3", 7.0, 21.5), ("CaCl2", 59.5, 74.5)],
)
def test_the_table_agrees_with_another_one(key, zero, twenty):
    """Grams for 100 g of water at 0 and 20 °C, as other handbooks print them; the solid below the
    solution is what is stable there (10 hydrate water in Na2CO3, 6 in CaCl2)."""
    for celsius, grams in ((0, zero), (20, twenty)):
        pct = stocks.full_pct(SALTS[key], celsius)
        assert 100 * pct / (100 - pct) == pytest.approx(grams, rel=0.04)


def test_densities_are_those_of_the_table_and_rise():
    """CRC Handbook, concentrative properties at 20 °C, from memory: 10 % of Na2CO3 is 1.1029."""
    salt = SALTS["Na2CO3"]
    assert stocks.density(salt, 10 * 10 * 1.1029) == pytest.approx(1.1029)
    found = [stocks.density(salt, g) for g in range(0, 160, 20)]
    assert found == sorted(found)
    assert stocks.density(salt, 500) is None


@pytest.mark.parametrize(
    ("a", "b", "solid"),
    [
        ("Na2CO3:30", "CaCl2:20", "chalk"),
        ("NaHCO3:30", "MgCl2.6H2O:20", "magnesium carbonate"),
        ("CaCl2.2H2O:30", "MgSO4.7H2O:20", "gypsum"),
        ("CaCl2:30", "MgCl2.6H2O:20", "two liquids"),
    ],
)
def test_what_falls_out_together_is_refused(run, a, b, solid):
    code, out, err = run(a, b)
    assert (code, out) == (2, "")
    assert solid in err


def test_handling_is_told_with_each_liquid(run):
    _, out, _ = run("CaCl2:200", "--bottle", "2", "--tank", "310")
    for said in ("hot enough to scald", "gloves and goggles", "Never pour two strong stocks",
                 "Label each bottle", "children", "not for people, not for medicine",
                 "for 2 litres: 400 g", "1 mL raises it in 310 litres"):  # fmt: skip
        assert said.lower() in out.lower()


def test_a_first_strength_is_written_without_a_question(run, tmp_path):
    text = (tmp_path / "reef.toml").read_text()
    line = next(line for line in text.splitlines() if line.startswith("strength"))
    (tmp_path / "reef.toml").write_text(text.replace(line + "\n", "", 1))
    code, _, err = run("Na2CO3:113.4", "--write", "reef.toml", "--channel", "alk")
    assert code == 0, err
    assert alk(tmp_path)["strength"]["raises_micro"] == pytest.approx(60_000, abs=5)
    assert alk(tmp_path)["daily_ul"] == 38400


def test_a_new_batch_rescales_the_plan_only_when_agreed(run, tmp_path, monkeypatch):
    before = (tmp_path / "reef.toml").read_bytes()
    words = ("Na2CO3", "--want", "0.06", "--write", "reef.toml", "--channel", "alk")
    code, _, err = run(*words)
    assert code == 1
    assert "Nothing is written" in err
    assert "120 % as strong" in err
    assert (tmp_path / "reef.toml").read_bytes() == before
    monkeypatch.setattr(liquid, "agreed", lambda question, yes: False)
    assert run(*words)[0] == 1
    assert (tmp_path / "reef.toml").read_bytes() == before
    monkeypatch.undo()
    monkeypatch.chdir(tmp_path)
    code, _, err = run(*words, "--yes")
    assert code == 0, err
    c = alk(tmp_path)
    assert c["daily_ul"] == 32000  # 38.4 mL at 5/6
    assert c["strength"]["raises_micro"] == 60_000
    assert c["cap_ul"] == 52000
    assert "# evenly spread, day and night" in (tmp_path / "reef.toml").read_text()
    assert "aliquot note alk" in err
    # The same batch once more changes nothing.
    assert "so already" in run(*words)[2]


def test_another_kind_of_liquid_is_written_only_when_agreed(run, tmp_path):
    """A slip in --channel must not make alkalinity of the magnesium pump."""
    before = (tmp_path / "reef.toml").read_bytes()
    words = ("NaHCO3:80", "--write", "reef.toml", "--channel", "mg")
    code, _, err = run(*words)
    assert code == 1
    assert "So far mg raises magnesium. Is it to raise alkalinity" in err
    assert (tmp_path / "reef.toml").read_bytes() == before
    assert run(*words, "--yes")[0] == 0
    mg = setup_file.load(tmp_path / "reef.toml").data["channel"][2]
    assert mg["strength"]["water"] == "alkalinity"
    assert mg["daily_ul"] == 13000


def test_a_weak_liquid_keeps_its_digits_in_a_set_up(run, tmp_path):
    words = ("--water", "nitrate", "--ml", "1000", "--litres", "100", "--raises", "0.0123457")
    code, out, err = run(*words, "--write", "reef.toml", "--channel", "food", "--yes")
    assert code == 2  # the plan would be forty thousand times as large
    assert "in a set-up" in out
    assert "cap_ml" in err or "daily_ml" in err
    told = json.loads(run(*words, "--json")[1])
    assert "ml = 1000, litres = 100, raises = 0.012346 " in told["strength"]
    nitrate = ("--water", "nitrate", "--ml", "1", "--litres", "100", "--raises", "0.4999")
    assert run(*nitrate, "--write", "reef.toml", "--channel", "food", "--yes")[0] == 0
    assert run("NaHCO3:1", "--json")[1].count("ml = 100, litres = 100, raises = 0.033377 ") == 1


@pytest.mark.parametrize(
    ("ml", "litres", "raises"), [("1e6", "1e-3", "1e-6"), ("1e-3", "1e6", "1")]
)
def test_what_no_set_up_can_say_is_refused(run, ml, litres, raises):
    code, out, err = run("--water", "x", "--ml", ml, "--litres", litres, "--raises", raises)
    assert (code, out) == (2, "")
    assert "Look for a slip" in err


def test_the_tank_of_a_set_up_is_read_without_writing(run, tmp_path):
    before = (tmp_path / "reef.toml").read_bytes()
    _, out, _ = run("NaHCO3:70", "--setup", "reef.toml")
    assert "1 mL raises it in 310 litres" in out
    assert "in 200 litres" in run("NaHCO3:70", "--setup", "reef.toml", "--tank", "200")[1]
    assert (tmp_path / "reef.toml").read_bytes() == before


def test_a_weaker_batch_never_raises_a_cap(run, tmp_path):
    before = (tmp_path / "reef.toml").read_bytes()
    words = ("Na2CO3", "--want", "0.03", "--write", "reef.toml", "--channel", "alk", "--yes")
    code, _, err = run(*words)
    assert code == 2
    assert "cap_ml" in err
    assert (tmp_path / "reef.toml").read_bytes() == before


def test_any_other_liquid_is_told_by_what_it_does(run, tmp_path):
    words = ("--water", "nitrate", "--unit", "mg/L", "--ml", "5", "--litres", "200")
    told = json.loads(run(*words, "--raises", "2", "--json")[1])
    assert told["raises_100_l_by_1_ml"] == pytest.approx(0.8)
    code, _, err = run(*words, "--raises", "2", "--write", "reef.toml", "--channel", "food",
                       "--yes")  # fmt: skip
    assert code == 0, err
    food = setup_file.load(tmp_path / "reef.toml").data["channel"][3]
    assert food["strength"]["raises_micro"] == 800_000
    assert food["daily_ul"] == 1870  # 3 mL at 0.5/0.8, to a hundredth below
    assert food["ramp"]["from_ul"] == 750


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("KCl:5",), "NaHCO3, Na2CO3"),
        (("NaHCO3",), "--want"),
        (("NaHCO3:many",), "g/L"),
        (("NaHCO3:-5",), "more than 0"),
        (("NaHCO3:5", "--water", "iodine"), "not beside a SALT"),
        (("--water", "iodine"), "--ml"),
        ((), "--water"),
        (("--water", "iodine", "--want", "5"), "beside a SALT"),
        (("NaHCO3:70", "--write", "reef.toml"), "--channel"),
        (("NaHCO3:70", "--write", "reef.toml", "--channel", "alkk"), "alk, cal, mg, food"),
        (("NaHCO3:70", "--write", "no.toml", "--channel", "alk"), "no such file"),
        (
            ("--water", "iodine", "--ml", "1", "--litres", "1", "--raises", "1", "--write",
             "reef.toml", "--channel", "food"),
            "alkalinity, calcium",
        ),
    ],
)  # fmt: skip
def test_bad_input_is_told_with_what_to_do(run, tmp_path, words, said):
    before = (tmp_path / "reef.toml").read_bytes()
    code, _, err = run(*words)
    assert code == 2
    assert said.lower() in err.lower()
    assert (tmp_path / "reef.toml").read_bytes() == before


def test_an_unknown_salt_is_bad_input_in_code_too():
    with pytest.raises(BadInput):
        stocks.salt("table salt")
