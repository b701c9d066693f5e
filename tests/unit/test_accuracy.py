"""`aliquot accuracy`: the trumpet's vector, readings as balances give them, and bad files."""

import json

import numpy as np
import pytest

from aliquot_host import cli, trumpet

# IEC 60601-2-24, windows and the second hour; the vector was worked out by hand: flow 12, 12, 6
# repeating, 120 samples, rate 10.
VECTOR = {2: (5.0, -10.0), 11: (100 / 110, -200 / 110)}


def readings(flow, lead=120):
    """(minutes, grams) of half minutes: an hour at the rate first, then the flow in mL/h."""
    every = [10.0] * lead + list(flow)
    minutes = [i / 2 for i in range(len(every) + 1)]
    grams = [0.0, *np.cumsum(np.array(every) / 120)]
    return minutes, grams


def test_the_vector_comes_out():
    found = trumpet.curve(*readings([12, 12, 6] * 40), rate_ml_h=10)
    assert found.mean_pct == pytest.approx(0, abs=1e-9)
    told = {w.minutes: (w.most_pct, w.least_pct) for w in found.windows}
    for minutes, (most, least) in VECTOR.items():
        assert told[minutes] == (pytest.approx(most), pytest.approx(least))
    assert list(told) == [2, 5, 11, 19, 31]
    # Windows of whole repeats see no error at all.
    assert trumpet.curve(*readings([12, 12, 6] * 40), rate_ml_h=10, length_min=60).windows


def test_the_largest_error_narrows_with_the_window():
    rng = np.random.default_rng(1)
    found = trumpet.curve(*readings(10 + rng.normal(0, 2, 120)), rate_ml_h=10)
    most = [w.most_pct for w in found.windows]
    assert most == sorted(most, reverse=True)
    assert all(w.least_pct <= found.mean_pct <= w.most_pct for w in found.windows)


def test_a_vessel_that_is_drawn_from_gives_the_same():
    minutes, grams = readings([12, 12, 6] * 40)
    up = trumpet.curve(minutes, grams, rate_ml_h=10)
    down = trumpet.curve(minutes, [500 - g for g in grams], rate_ml_h=10)
    assert down.falling
    assert not up.falling
    assert down.windows[0].most_pct == pytest.approx(up.windows[0].most_pct)


@pytest.mark.parametrize("falling", [False, True])
def test_evaporation_is_added_back(falling):
    """0.3 g an hour go into the air: seen while nothing runs, or stated."""
    t = np.arange(0, 150.5, 0.5)
    moved = np.where(t > 30, 10 * (t - 30) / 60, 0.0)
    lost = 0.3 * t / 60
    grams = 500 - moved - lost if falling else 100 + moved - lost
    found = trumpet.curve(t, grams, rate_ml_h=10, idle_min=30)
    assert found.evaporation_g_h == pytest.approx(0.3)
    assert found.mean_pct == pytest.approx(0, abs=1e-6)
    stated = trumpet.curve(t[60:], grams[60:], rate_ml_h=10, evaporation_g_h=0.3)
    assert stated.mean_pct == pytest.approx(0, abs=1e-6)
    wrong = trumpet.curve(t[60:], grams[60:], rate_ml_h=10)
    assert abs(wrong.mean_pct) == pytest.approx(3, abs=0.01)


def test_an_idle_time_may_end_between_two_readings():
    """Readings at 29.9 and 30.6 minutes, a steady pump from 30 on: no sample begins empty."""
    t = np.concatenate([[0.0, 10.0, 20.0, 29.9], np.arange(30.6, 151, 0.7)])
    grams = 100 + np.clip(10 * (t - 30) / 60, 0, None)
    found = trumpet.curve(t, grams, rate_ml_h=10, idle_min=30, from_min=0)
    assert found.flow_ml_h[0] > 8
    assert found.windows[0].least_pct > -5


def test_a_month_is_the_longest_run():
    with pytest.raises(ValueError, match="31 days"):
        trumpet.curve([0, 1, 1e12], [0, 1, 2])


def test_readings_may_come_at_any_time():
    """Of a steady flow the same is seen however it was read."""
    rng = np.random.default_rng(2)
    t = np.sort(np.concatenate([[0.0, 120.0], rng.uniform(0, 120, 500)]))
    found = trumpet.curve(t, 12 * t / 60, rate_ml_h=10)
    assert found.mean_pct == pytest.approx(20)
    assert found.windows[0].most_pct == pytest.approx(20)
    assert len(found.flow_ml_h) == 240


# The command


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)

    def do(*arguments):
        code = cli.run(["accuracy", *arguments])
        told = capsys.readouterr()
        return code, told.out, told.err

    return do


@pytest.fixture
def file(tmp_path):
    minutes, grams = readings([12, 12, 6] * 40)
    rows = [f"{m * 60:g},{g:.5f}" for m, g in zip(minutes, grams, strict=True)]
    (tmp_path / "run.csv").write_text("\n".join(["time_s,mass_g", *rows]) + "\n")


def test_people_see_a_table_a_plot_and_that_it_is_no_medical_claim(run, file, tmp_path):
    code, out, err = run("run.csv", "--rate", "10", "--density", "1.0012", "--plot", "t.svg")
    assert code == 0, err
    assert "no medical claim" in out
    assert "+5." in out or "+4.9" in out
    assert b"largest and smallest mean error" in (tmp_path / "t.svg").read_bytes()
    told = json.loads(run("run.csv", "--json")[1])
    assert told["format"] == "aliquot-accuracy"
    assert told["rate_ml_h"] == pytest.approx(10, abs=1e-3)
    assert len(told["warnings"]) == 2
    assert "no medical claim" in told["claim"]


def test_water_is_weighed_by_iso_8655(run, file):
    plain = json.loads(run("run.csv", "--json")[1])["rate_ml_h"]
    water = json.loads(run("run.csv", "--water", "20", "--json")[1])["rate_ml_h"]
    assert water / plain == pytest.approx(1.0029, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "empty"),
        ("time,mass_g\n0,1\n", "time_s or time_min or time_h"),
        ("time_s,mass\n0,1\n", "mass_g"),
        ("time_s,mass_g\n0,1\n30,\n", "line 3, mass_g"),
        ("time_s,mass_g\n0,1\n30,x\n", "a number"),
        ("time_s,mass_g\n0,1\n30,2\n30,3\n", "later than the row before"),
        ("time_s,mass_g\n0,1\n30,inf\n", "a number"),
        ("time_s,mass_g\n0,1\n30,2\n60,3\n", "1.0 minutes long"),
        ("time_h,mass_g\n0,1\n1,2\n1e9,3\n", "line 4, time_h"),
        ("time_s,mass_g\n0,1\n30,1e308\n", "line 3, mass_g"),
        ("time_s,mass_g\nnan,1\n", "line 2, time_s"),
        ("time_s,mass_g\n0,1\n60,2\n30,3\n", "line 4, time_s"),
        ("time_min;mass_g\n0;1,5\n1;1,5\n130;1,5\n", "no flow"),
    ],
)
def test_files_that_cannot_be_used_are_told(run, tmp_path, text, said):
    (tmp_path / "bad.csv").write_text(text)
    code, out, err = run("bad.csv")
    assert (code, out) == (2, "")
    assert said.lower() in err.lower()


@pytest.mark.parametrize(
    ("rise_g_h", "step", "said"),
    [(0.4, 0.5, "the line drips"), (-0.3, 0.5, ""), (0.001, 0.5, ""), (0, 1, "short windows")],
)
def test_readings_that_say_less_than_they_seem_to_are_told(run, tmp_path, rise_g_h, step, said):
    t = np.arange(0, 150.1, step)
    grams = 100 + np.where(t > 28, 10 * (t - 28) / 60, 0.0) + rise_g_h * t / 60
    rows = [f"{m:g},{g:.6f}" for m, g in zip(t, grams, strict=True)]
    (tmp_path / "t.csv").write_text("\n".join(["time_min,mass_g", *rows]))
    code, out, err = run("t.csv", "--rate", "10", "--water", "20", "--idle", "28", "--json")
    assert code == 0, err
    assert said in " ".join(json.loads(out)["warnings"])
    assert bool(json.loads(out)["warnings"]) == bool(said)


def test_options_that_exclude_each_other(run, file):
    assert run("run.csv", "--water", "20", "--density", "1")[0] == 2
    assert run("run.csv", "--evaporation", "1", "--idle", "5")[0] == 2
    assert run("run.csv", "--idle", "119.5")[0] == 2


def test_spreadsheets_write_commas_and_marks_of_byte_order(run, tmp_path):
    minutes, grams = readings([10] * 120)
    rows = [f"{m:g};{g:.4f}".replace(".", ",") for m, g in zip(minutes, grams, strict=True)]
    text = "\ufefftime_min;mass_g\n" + "\n".join(rows)
    (tmp_path / "sheet.csv").write_text(text, encoding="utf-8")
    code, out, err = run("sheet.csv", "--rate", "10", "--json")
    assert code == 0, err
    assert json.loads(out)["mean_pct"] == pytest.approx(0, abs=0.01)
