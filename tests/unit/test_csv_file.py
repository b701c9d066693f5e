"""CSV files of people: whatever stands in them, an answer or bad input with the place."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot_host import csv_file, water_tests
from aliquot_host.consuming import estimate
from aliquot_host.errors import BadInput

CELLS = st.one_of(
    st.sampled_from(["", "8.1", "8,1", "nan", "1e400", "-0", "1_0", "=1", '"', "time", "day"]),
    st.text(max_size=6),
    st.floats().map(str),
)


@given(st.lists(st.lists(CELLS, min_size=1, max_size=5), min_size=1, max_size=6),
       st.sampled_from(",;\t"))  # fmt: skip
@settings(max_examples=300)
def test_any_table_is_read_or_is_bad_input(rows, delimiter):
    text = "\n".join(delimiter.join(row) for row in rows)
    problems = ()
    try:
        table = csv_file.parse(text, "any.csv")
        for row in table.rows:
            for column in table.columns:
                row.number(column)
    except BadInput as wrong:
        problems = wrong.problems
    assert all("any.csv" in problem.path for problem in problems)


@given(st.lists(st.tuples(CELLS, CELLS, CELLS), min_size=1, max_size=8))
@settings(max_examples=300)
def test_any_tests_give_an_estimate_or_say_why_not(rows):
    text = "day,alkalinity_dKH,change_l\n" + "\n".join(",".join(row) for row in rows)
    try:
        found = water_tests.from_table(csv_file.parse(text, "any.csv"), {})
    except BadInput:
        return
    try:
        told = estimate("alkalinity", "dKH", found.readings["alkalinity"], [], found.changes)
    except ValueError:
        return
    assert told.use.low <= told.use.value <= told.use.high


def test_lines_count_as_an_editor_counts_them():
    text = "# made by hand\n\na,b\n1,2\n\n# and\n3,x\n"
    table = csv_file.parse(text, "t.csv")
    assert [row.line for row in table.rows] == [4, 7]
    with pytest.raises(BadInput, match="line 7, b"):
        table.rows[1].number("b")


def test_a_decimal_comma_is_read_beside_semicolons_only():
    assert csv_file.parse("a;b\n1,5;2\n", "t").rows[0].number("a") == 1.5
    with pytest.raises(BadInput, match="2 cells"):
        csv_file.parse("a,b\n1,5,2\n", "t")


def test_limits_are_told():
    row = csv_file.parse("a\n70\n", "t").rows[0]
    with pytest.raises(BadInput, match="1 to 60"):
        row.number("a", 1, 60)
    with pytest.raises(BadInput, match="rows"):
        csv_file.parse("a\n1\n2\n", "t", rows_most=1)
