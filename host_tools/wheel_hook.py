"""For hatchling alone: puts what lies outside the two packages into the wheel.

`force-include` in pyproject.toml would also copy the files into an editable install, where the
copies would grow old beside the checkout. `aliquot_host/resources.py` finds the files either way.
"""

from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface

PLACES = {
    "boards": "aliquot_host/_boards",
    "device/boot.py": "aliquot_host/_device/boot.py",
    "device/main.py": "aliquot_host/_device/main.py",
}


class WheelHook(BuildHookInterface):  # type: ignore[type-arg]
    """Adds PLACES to a real wheel and to nothing else."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:
        if version == "standard":
            build_data["force_include"].update(PLACES)
