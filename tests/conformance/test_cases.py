"""The same cases print the same on CPython and on a real MicroPython."""

import pytest

from aliquot.core.records import decode
from aliquot.link import pack
from aliquot_host.line import packed
from aliquot_host.vm import device_files
from conformance.harness import FOLDER, on_cpython, on_vm

NAMES = sorted(path.stem for path in FOLDER.glob("cases_*.py"))
# A table that lost its rows would agree with itself.
LINES_LEAST = 15


@pytest.mark.parametrize("name", NAMES)
def test_cases_give_the_same_lines_on_both_interpreters(vm, name):
    ours = on_cpython(name).splitlines()
    theirs = on_vm(vm, [name, "tank"], [f"import {name}", f"{name}.main()"]).text.splitlines()
    assert len(ours) >= LINES_LEAST
    assert theirs == ours


def test_cases_notice_a_planted_difference(vm):
    path = "/lib/aliquot/core/amounts"
    wrong = device_files(mpy=False)[f"{path}.py"].replace(b"+ cal_ul) //", b"+ cal_ul + 1) //")
    assert wrong != device_files(mpy=False)[f"{path}.py"]
    name = "cases_amounts"
    theirs = on_vm(vm, [name], [f"import {name}", f"{name}.main()"], {f"{path}.py": wrong})
    assert theirs.text != on_cpython(name)


def test_source_and_compiled_modules_behave_alike(vm):
    name = "cases_records"
    steps = [f"import {name}", f"{name}.main()"]
    from_source = on_vm(vm, [name], steps, device_files(mpy=False)).text
    assert from_source == on_cpython(name)


def test_file_errors_on_the_vm_bear_the_numbers_that_boards_have(vm):
    told = vm.run(
        [
            "import os",
            "try: os.mkdir('/tmp')\nexcept OSError as e: print(e.errno)",
            "try: open('/absent')\nexcept OSError as e: print(e.errno)",
            "try: os.rmdir('/dev')\nexcept OSError as e: print(e.errno > 0)",
        ]
    )
    assert told.text.split() == ["17", "2", "True"]


def test_what_a_note_says_comes_through_a_board_to_the_desk_letter_by_letter(vm):
    order = {"do": "note", "id": 7, "text": "24.8 \u00b0C \U0001f44d"}
    heard = [
        "from aliquot.link import unpack\nfrom aliquot.core.seal import line",
        f"print(line(5, 0, 'E', (0, 255, 7), unpack({packed(order)!r})['text']).hex())",
        # Escaped, as a client of another make may send it: two halves, which acts.note refuses.
        f"print([0xD7FF < ord(c) < 0xE000 for c in unpack({pack(order)!r})['text']][-2:])",
    ]
    record, halves = vm.run(heard, device_files(("core", "store"))).text.splitlines()
    assert decode(bytes.fromhex(record)[:-1])[-1] == order["text"]
    assert halves == "[True, True]"
