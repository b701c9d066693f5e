"""The command itself: its help, its exit codes, and how it tells what went wrong."""

import io
import json
import os
import subprocess
import sys

import click
import pytest

from aliquot_host import cli, errors, output


@pytest.fixture
def planted(monkeypatch):
    """planted(function) makes the command `check` run that function instead."""

    def plant(function):
        command = click.Command("check", callback=function)
        monkeypatch.setattr(cli.Commands, "get_command", lambda *_: command)
        return cli.run(["check"])

    return plant


def raising(exception):
    def function():
        raise exception

    return function


def test_help_groups_the_commands_in_their_order(capsys):
    assert cli.run(["--help"]) == 0
    out = capsys.readouterr().out
    sections = [section for section in cli.SECTIONS if f"\n{section}:\n" in out]
    places = [out.index(f"\n{section}:\n") for section in sections]
    assert places == sorted(places)
    assert sections[-1] == "Develop"
    assert "Board" not in sections
    assert out.isascii()
    assert out.isprintable() or set(out) - {"\n"} <= set(map(chr, range(32, 127)))


def test_every_command_of_the_table_is_there_and_goes_by_its_name():
    missing = [name for name in cli.COMMANDS if not cli.present(name)]
    assert missing == []
    context = click.Context(cli.cli)
    for name in cli.COMMANDS:
        command = cli.cli.get_command(context, name)
        assert command is not None
        assert command.name == name
        assert command.get_short_help_str(200)


def test_no_option_takes_nan_for_a_number():
    """Python reads `nan` as a number, and click finds it in every range."""
    context = click.Context(cli.cli)
    seen = 0
    for name in cli.COMMANDS:
        command = cli.cli.get_command(context, name)
        for option in command.params:
            if isinstance(option.type, click.types.FloatParamType):
                seen += 1
                for text in ("nan", "-nan", "inf"):
                    with pytest.raises(click.BadParameter):
                        option.type.convert(text, option, context)
    assert seen > 20


def test_a_command_that_is_only_planned_is_not_listed_and_says_so(monkeypatch, capsys):
    entry = cli.Entry(cli.PLAN, "of_another_day", "Does what it will do.")
    monkeypatch.setitem(cli.COMMANDS, "someday", entry)
    assert cli.run(["--help"]) == 0
    assert "someday" not in capsys.readouterr().out
    assert cli.run(["someday"]) == 2
    assert "planned, but not part of this version" in capsys.readouterr().err


def test_help_and_version_load_no_heavy_library(root):
    script = (
        "import sys; from aliquot_host import cli; cli.run(['--help']); cli.run(['--version']);"
        "heavy = {'rich', 'matplotlib', 'numpy', 'icalendar', 'tomlkit', 'zoneinfo'};"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    path = os.pathsep.join(str(root / part) for part in ("device", "host_tools"))
    done = subprocess.run(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
    )
    assert (done.returncode, done.stderr) == (0, "")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["nonesuch"], "No such command 'nonesuch'"),
        (["--nonesuch"], "No such option"),
        ([], "Usage: aliquot"),
    ],
)
def test_a_wrong_command_line_ends_with_2(arguments, words, capsys):
    assert cli.run(arguments) == 2
    assert words in capsys.readouterr().err


def test_bad_input_names_path_value_stored_limit_and_advice_and_ends_with_2(planted, capsys):
    problem = errors.Problem(
        "channel[1].daily_ml", 99999, "99999000 µL", "0.001 to 10000 mL", "Give less a day."
    )
    warning = errors.Problem("channel[1].label", "", advice="Name it.", level="warning")
    assert planted(raising(errors.BadInput([warning, problem], "reef.toml"))) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.splitlines() == [
        "error: channel[1].daily_ml = 99999 (kept as 99999000 µL)",
        "  limit: 0.001 to 10000 mL",
        "  Give less a day.",
        'warning: channel[1].label = ""',
        "  Name it.",
        "aliquot: 1 error in reef.toml.",
    ]


def test_a_finding_ends_with_1_and_a_fine_run_with_0(planted, capsys):
    assert planted(raising(errors.Finding("Two doses meet.", "See above."))) == 1
    assert capsys.readouterr().err == "Two doses meet.\nSee above.\n"
    assert planted(lambda: None) == 0


def test_a_command_that_leaves_with_a_code_ends_with_it(planted):
    assert planted(lambda: click.get_current_context().exit(1)) == 1


def test_a_file_that_cannot_be_opened_is_bad_input(planted, capsys, tmp_path):
    assert planted((tmp_path / "none.toml").read_bytes) == 2
    assert "none.toml" in capsys.readouterr().err


def test_a_mistake_of_ours_is_short_and_whole_only_on_request(planted, capsys, monkeypatch):
    monkeypatch.delenv("ALIQUOT_DEBUG", raising=False)
    assert planted(raising(KeyError("µ\x1b[31m"))) == 70
    err = capsys.readouterr().err
    assert "Traceback" not in err
    assert "a mistake in Aliquot" in err
    assert "\x1b" not in err
    monkeypatch.setenv("ALIQUOT_DEBUG", "1")
    assert planted(raising(KeyError("µ"))) == 70
    assert "Traceback" in capsys.readouterr().err


def test_an_interrupt_ends_with_130_and_without_a_traceback(planted, capsys):
    assert planted(raising(KeyboardInterrupt())) == 130
    assert capsys.readouterr().err.strip() == "Interrupted."


def test_a_question_without_an_answer_is_bad_input(planted, capsys, monkeypatch):
    monkeypatch.setattr("sys.stdin", io.StringIO())
    assert planted(lambda: click.prompt("How much")) == 2
    assert "had no answer" in capsys.readouterr().err


def test_a_reader_that_has_seen_enough_is_no_mistake(root):
    script = (
        "import click; from aliquot_host import cli;"
        "cli.Commands.get_command = lambda *_: click.Command("
        "'check', callback=lambda: [print('x' * 99) for _ in range(9999)] and None);"
        "cli.COMMANDS; import sys; sys.argv = ['aliquot', 'check']; cli.main()"
    )
    path = os.pathsep.join(str(root / part) for part in ("device", "host_tools"))
    with subprocess.Popen(
        [sys.executable, "-c", script],
        env={**os.environ, "PYTHONPATH": path},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        process.stdout.readline()
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == 0


@pytest.mark.parametrize(
    ("value", "text"),
    [
        ("36,5", '"36,5"'),
        ("\x1b]0;title\x07", r'"\x1b]0;title\x07"'),
        ("x" * 1000, '"' + "x" * 59 + '…"'),
        (True, "true"),
        pytest.param(10**5000, "a number of more than 75 digits", id="huge"),
        ({"a": 1}, "a table"),
        ([1], "a list"),
        (36.5, "36.5"),
    ],
)
def test_values_are_shown_short_and_harmless(value, text):
    assert errors.shown(value) == text


def test_bad_input_without_a_problem_is_refused():
    with pytest.raises(ValueError, match="nobody"):
        errors.BadInput([])


def test_json_carries_format_and_version_first_and_refuses_what_json_has_not(capsys):
    output.print_json("aliquot-x", {"µ": 1})
    out = capsys.readouterr().out
    assert list(json.loads(out)) == ["format", "version", "µ"]
    assert json.loads(out)["version"] == 1
    with pytest.raises(ValueError, match="JSON"):
        output.print_json("aliquot-x", {"a": float("nan")})
    with pytest.raises(ValueError, match="own key"):
        output.print_json("aliquot-x", {"format": "b"})


def test_a_table_reads_no_markup_and_keeps_every_row_whole_in_a_pipe(capsys):
    output.table(["channel", "µL"], [("[red]alk[/red]", 1521), (None, "\x1b[2J")], numbers=["µL"])
    out = capsys.readouterr().out
    assert "[red]alk[/red]" in out
    assert "1521" in out
    assert "\x1b" not in out
    with pytest.raises(ValueError, match="1 cells under 2 columns"):
        output.table(["a", "b"], [("x",)])


def test_progress_is_silent_where_no_terminal_is(capsys):
    assert list(output.progress([1, 2], "working")) == [1, 2]
    assert capsys.readouterr() == ("", "")
