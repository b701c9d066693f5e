"""device/package.json: what `mpremote mip install` copies onto a board, all and nothing else."""

import json

import aliquot
from aliquot_host import resources


def listed(root):
    return json.loads((root / "device" / "package.json").read_text("utf-8"))


def test_the_package_lists_every_file_of_the_device_once(root):
    urls = listed(root)["urls"]
    assert [dest for dest, _ in urls] == list(resources.device_files())


def test_every_file_lies_beside_the_list_under_the_name_that_it_gets(root):
    for dest, source in listed(root)["urls"]:
        assert dest == source
        assert not source.startswith(("/", ".")), "relative to the list, on a desk as on the web"
        assert (root / "device" / source).is_file()


def test_boot_comes_first_so_that_an_install_that_breaks_off_rests_the_motors(root):
    assert listed(root)["urls"][0] == ["boot.py", "boot.py"]


def test_the_list_bears_the_version_of_the_program_and_needs_nothing_else(root):
    found = listed(root)
    assert found["version"] == aliquot.__version__
    assert found["deps"] == []
