"""Reads the board file that lies in the root of a board. Imported when needed, and dropped.

It is checked on a desk, by `aliquot check`, before it comes onto a board; here only its format is
looked at. Nothing is ever written.
"""

import json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

PATH = "/board.json"
FORMAT = "aliquot-board"
VERSION = 1


def load(path: str = PATH) -> "dict[str, Any]":
    """The data of a board file; ValueError, in words for people, where there is none."""
    try:
        with open(path) as file:
            board = json.load(file)
    except OSError:
        raise ValueError("there is no %s: `aliquot boards ID --files FOLDER` makes it" % path)
    except ValueError:
        raise ValueError("%s is no JSON: copy it again" % path)
    if not isinstance(board, dict) or board.get("format") != FORMAT:
        raise ValueError("%s is no board file: copy it again" % path)
    if board.get("version") != VERSION:
        text = "%s has version %s, this program reads %d: copy both anew"
        raise ValueError(text % (path, board.get("version"), VERSION))
    return board
