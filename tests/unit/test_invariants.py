"""The table of invariants in DEVELOPERS.md against the tests: each number has its tests."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
NUMBERS = range(1, 27)


def numbered_tests():
    """Invariant number -> the names of the tests that carry it."""
    found = {number: set() for number in NUMBERS}
    for source in sorted((ROOT / "tests").rglob("test_*.py")):
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_s"):
                for number in re.findall(r"(?<=_)s(\d+)(?=_)", node.name):
                    found[int(number)].add(source.relative_to(ROOT / "tests").as_posix())
    return found


def rows():
    """Invariant number -> the last cell of its row."""
    text = (ROOT / "DEVELOPERS.md").read_text("utf-8")
    return {
        int(number): cell.strip()
        for number, cell in re.findall(r"^\| S(\d+) \|.*\| ([^|]*) \|$", text, re.MULTILINE)
    }


def test_every_invariant_number_stands_in_the_name_of_a_test():
    assert not [number for number, tests in numbered_tests().items() if not tests]


def test_the_table_names_the_files_whose_tests_carry_the_number():
    table = rows()
    assert sorted(table) == list(NUMBERS)
    for number, files in numbered_tests().items():
        cell = table[number]
        assert set(re.findall(r"`([^`]+)`", cell)) == files, f"S{number}"
