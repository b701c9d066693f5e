"""Finds what is not code: boards, the device's files, examples, in a checkout as in a wheel.

It only finds paths; it never reads, changes or copies a file.
"""

from __future__ import annotations

from pathlib import Path

import aliquot

HERE = Path(__file__).resolve().parent


def checkout() -> Path | None:
    """The root of the checkout that this package runs from; None for an installed wheel."""
    root = HERE.parent.parent
    return root if (root / "device" / "boot.py").is_file() else None


def boards() -> dict[str, Path]:
    """Board name -> its JSON file, by name."""
    root = checkout()
    return _named(root / "boards" if root else HERE / "_boards", ".json")


def examples() -> dict[str, Path]:
    """Example name -> its TOML file, by name."""
    return _named(HERE / "examples", ".toml")


def acts() -> dict[str, Path]:
    """Example name -> its TOML file of acts for a rehearsal, by name."""
    return _named(HERE / "examples" / "acts", ".toml")


def device_files() -> dict[str, Path]:
    """Path on the board -> file here: boot.py, main.py and every module of the package."""
    root = checkout()
    top = root / "device" if root else HERE / "_device"
    files = {name: top / name for name in ("boot.py", "main.py")}
    package = Path(aliquot.__file__).resolve().parent
    for file in sorted(package.rglob("*.py")):
        files["aliquot/" + file.relative_to(package).as_posix()] = file
    return files


def _named(folder: Path, suffix: str) -> dict[str, Path]:
    if not folder.is_dir():
        return {}
    files = sorted(folder.iterdir())
    return {file.stem: file for file in files if file.suffix == suffix and file.is_file()}
