"""One record, one line: what is written is read back, and what is damaged is noticed (S24)."""

from binascii import crc32

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from aliquot.core.records import check, decode, encode

NUMBER = st.integers(-(2**62), 2**62)
TEXT = st.text(st.characters(min_codepoint=32, exclude_categories=("Cs", "Cc")), max_size=80)


def read(line):
    assert line.endswith("\n")
    assert line.count("\n") == 1
    return decode(line[:-1].encode())


@settings(max_examples=300, deadline=None)
@given(
    st.integers(1, 2**40),
    st.integers(0, 2**40),
    st.sampled_from(("I", "O", "t", "~later", "zz")),
    st.lists(NUMBER, max_size=60),
    TEXT,
)
def test_s24_a_record_is_read_back_as_it_was_written(seq, dt_s, kind, fields, text):
    found = read(encode(seq, dt_s, kind, tuple(fields), text))
    assert (found[0], found[1], found[2], found[4]) == (seq, dt_s, kind, text)
    padded = found[3]
    assert list(padded[: len(fields)]) == fields
    assert not any(padded[len(fields) :])
    assert len(padded) >= 12


@pytest.mark.parametrize(
    ("record", "body"),
    [
        ((1, 0, "B", (0,)), "1 0 B"),
        ((2, 3600, "t", ()), "2 3600 t"),
        ((845, 12, "I", (0, 3600, 17, 1521, 1943, 0, 0, 0)), "845 12 I 0 3600 17 1521 1943"),
        ((846, 4, "O", (0, 0, 0, 0)), "846 4 O"),
        ((847, 0, "O", (2, -7, 4, 0)), "847 0 O 2 -7 4"),
        ((9, 1, "E", (3, 255, 0), 'Sunday: 7.9 "dKH"'), '9 1 E 3 255 "Sunday: 7.9 "dKH"'),
        ((9, 1, "E", (), "°C"), '9 1 E "°C'),
    ],
)
def test_a_line_is_plain_text_without_trailing_zeros_and_with_its_checksum(record, body):
    assert encode(*record) == f"{body} {crc32(body.encode()):08x}\n"


def test_a_dose_takes_few_bytes():
    """The reach of the project is 66 bytes a dose, intent and outcome. After a year of 4 × 24:"""
    intent = encode(70080, 3595, "I", (3, 3600, 17, 1521, 1943, 0, 0, 0))
    outcome = encode(70081, 5, "O", (3, 0, 0, 0))
    assert len(intent) + len(outcome) <= 66


LINES = [
    encode(*record)[:-1].encode()
    for record in (
        (1, 0, "B", (2,)),
        (845, 12, "I", (0, 3600, 17, 1521, 1943)),
        (9, 1, "E", (3, 255), 'a "note" of a tank'),
    )
]


@pytest.mark.parametrize("line", LINES)
def test_no_single_changed_bit_passes(line):
    for bit in range(8 * len(line)):
        damaged = bytearray(line)
        damaged[bit // 8] ^= 1 << bit % 8
        with pytest.raises(ValueError):  # noqa: PT011, any kind of it is caught by its type
            decode(bytes(damaged))


@pytest.mark.parametrize("line", LINES)
def test_no_torn_line_passes(line):
    for n in range(len(line)):
        with pytest.raises(ValueError):  # noqa: PT011
            decode(line[:n])


def sealed(body):
    return body + b" %08x" % crc32(body)


@pytest.mark.parametrize(
    "line",
    [
        b"",
        b" ",
        b"x",
        b"\xff\xfe\x00",
        sealed(b""),
        sealed(b"1 2"),
        sealed(b"a 2 I"),
        sealed(b"1 2.5 I"),
        sealed(b"1 2 I 3 x"),
        sealed(b"1 2 I  3"),
        sealed(b"\xff 2 I"),
        sealed(b"1 2 I")[:-1].upper() + b"G",
        b"1 2 I 00000000",
    ],
)
def test_what_is_no_record_is_a_value_error_whatever_its_checksum(line):
    with pytest.raises(ValueError):  # noqa: PT011
        decode(line)


def test_the_body_of_a_sound_line_is_given_back():
    assert check(sealed(b"S end 3")) == b"S end 3"
