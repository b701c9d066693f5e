"""Damage to the files of a board at rest; see damaged_files.py."""

import damaged_files


def test_no_changed_byte_and_no_cut_of_a_new_set_up_makes_a_state_that_never_was(capsys):
    tried = damaged_files.all_of()
    with capsys.disabled():
        print(f"\ndamaged files: {tried}")
    rig = damaged_files.lived()
    journal = sum(len(d) for name, d in rig.flash.content().items() if name[:1] == "j")
    assert tried["journals"] == journal > 1500
    # The changes of the flash that an adoption makes: candidate, record, rename; at three depths.
    assert tried["cut set-ups"] == 3 * 3
    assert tried["set-ups"] == len(rig.flash.content()["setup.json"]) + 3
    assert tried["unknown records"] == 2
    assert tried["words"] == 1
