"""Every fenced block of the README is true: it is run, in order, as a reader would in one folder.

`toml` goes through `aliquot check`, under the name that its first line gives; `bash` runs with the
environment's `aliquot` and with `host_tools` at hand; `python` runs; the lines of `text` must
stand in what the block before printed. Another kind of block fails, so that none goes unseen.
"""

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent.parent
KINDS = ("bash", "python", "text", "toml")
FENCE = re.compile(r"^( *)(```+|~~~+)([^\n]*)\n(.*?)^\1\2 *$", re.MULTILINE | re.DOTALL)


def blocks(text):
    """(kind, content, line) of every fenced block."""
    return [
        (match[3].strip(), match[4], text.count("\n", 0, match.start()) + 1)
        for match in FENCE.finditer(text)
    ]


class Reader:
    """Somebody who follows the README in an empty folder."""

    def __init__(self, folder):
        self.folder = folder
        self.said = ""
        # A reader works in the checkout; here its outputs stay out of it.
        (folder / "host_tools").symlink_to(ROOT / "host_tools")
        path = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", "")])
        # `python3 host_tools test` inside the tests collects them all and runs none again.
        self.environment = {**os.environ, "PATH": path, "PYTEST_ADDOPTS": "--collect-only -qq"}

    def follow(self, kind, content):
        if kind == "text":
            lines = [line.strip() for line in content.splitlines() if line.strip()]
            assert lines
            assert [line for line in lines if line not in self.said] == []
        else:
            self.run({"toml": self.check, "bash": self.bash, "python": self.python}[kind](content))

    def check(self, content):
        named = re.match(r"# *([\w-]+\.toml) *\n", content)
        file = named[1] if named else "reader.toml"
        (self.folder / file).write_text(content, "utf-8")
        return [sys.executable, "-P", "-m", "aliquot_host", "check", file]

    def bash(self, content):
        return ["bash", "-euo", "pipefail", "-c", content]

    def python(self, content):
        return [sys.executable, "-c", content]

    def run(self, command):
        done = subprocess.run(
            command,
            cwd=self.folder,
            env=self.environment,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            timeout=900,
        )
        self.said = done.stdout
        assert done.returncode == 0, done.stdout


BLOCKS = blocks((ROOT / "README.md").read_text("utf-8"))


@pytest.fixture(scope="module")
def reader(tmp_path_factory):
    return Reader(tmp_path_factory.mktemp("reader"))


def test_the_readme_has_blocks_of_known_kinds():
    assert len(BLOCKS) >= 3
    assert {kind for kind, _, _ in BLOCKS} <= set(KINDS)
    assert {"bash", "toml"} <= {kind for kind, _, _ in BLOCKS}


@pytest.mark.parametrize(
    ("kind", "content"), [pytest.param(k, c, id=f"{k}-line-{n}") for k, c, n in BLOCKS]
)
def test_a_block_of_the_readme_holds(reader, need, kind, content):
    need("bash")
    reader.follow(kind, content)


def test_every_fence_that_is_opened_is_seen():
    text = (ROOT / "README.md").read_text("utf-8")
    assert len(re.findall(r"^ *(?:```|~~~)", text, re.MULTILINE)) == 2 * len(BLOCKS)


def test_every_link_of_the_readme_to_a_file_leads_there():
    text = (ROOT / "README.md").read_text("utf-8")
    targets = [target for target in re.findall(r"\]\(([^)#]+)", text) if "://" not in target]
    assert targets
    assert [target for target in targets if not (ROOT / target).exists()] == []


@pytest.mark.parametrize(
    ("kind", "content"),
    [
        ("bash", "false\ntrue\n"),
        ("bash", "aliquot nonesuch\n"),
        ("python", "assert False\n"),
        ("text", "what nobody printed\n"),
        ("toml", "timezone = 1\n"),
    ],
)
def test_a_planted_block_that_does_not_hold_is_noticed(tmp_path, need, kind, content):
    need("bash")
    with pytest.raises(AssertionError):
        Reader(tmp_path).follow(kind, content)


def test_the_two_first_commands_stand_in_the_readme():
    commands = "".join(content for kind, content, _ in BLOCKS if kind == "bash")
    for command in ("python3 host_tools demo", "python3 host_tools test"):
        assert command in commands
