"""Changes to a case that a text of cells, keys or tags survives long enough to be read."""

import random
import re

# Words that somewhere mean something, then what no word can be.
TOKENS = (
    *(
        "0 -0 1 -1 0.1 nan inf -inf 1e308 -1e308 1e309 1e-320 1_000 1,5 1.5 true false None ' '' 0001-01-01 "
        "9999-12-31 0000-00-00 2027-02-30 1900-01-01 2100-12-31 9999-12-31T23:59:59 2027-07-10 23:59:59.9 24:00 "
        "23:59 00:00 2027-07-10T07:00:00+99:99 2027-07-10T07:00:00Z 99-99..99-99 [m] [ft] [K] [degF] [delta_degC] "
        "[K**999] [m/0] [dB] [neper] [dBm] [%] (m) [] [lambda] [/] &#0; &#xD800; &lol; <![CDATA[ ]]> <mergeCell/> "
        "<f>1</f> <rte><rtept/> <!-- --> __import__ __import__('os') {0} {{7*7}} %s%n ../../etc/passwd /dev/zero "
        "[day] [[halt]] [a.b.c] [fit] [fit.correlation] , ; # = . : > yes no stop-and-go 05-28..10-15 02-30..02-31 "
        "idle s ms iso clock degC degF % lat lon =1+1 #N/A #REF! -40 215 65535 1970-01-01 4294967295 1e18 1048577 "
        "XFD1 "
    ).split(),
    *("", "9" * 19, "9" * 400, "9" * 5000, "0x" + "f" * 5000, '"', '"""', "''' '''", "2027-07-10 14:00"),
    *("9999-12-31 23:59", "0001-01-01 00:00", "31.12.9999 23:59:60.9", "12:00 PM", "١٢:٣٠", "1e9999 degC"),
    *("5 m", "1 m^9^9^9", "1 m**(9**9**9)", "8 dB/s", "1 m*", "1 m/0", "1 lb", "1 K", "1 degF", "-500 degC"),
    *("1 h", "1e308 h", "1 mi", "1e308 mi", "1 Qm", "1 qm", "1 psi", "1 rpm", "1 bar", "1 V", "1 m)", "1 (m"),
    *("1 m mm m", "\x00", "\x01", "\x1b[31m", "\x7f", "\x85", "\u2028", "\u202e", "\ufeff", "\ufffd", "\U0001f697"),
    *("\xe9", "e\u0301", "\\ud800", "\\u0000", "\\U0010ffff", "<!DOCTYPE x>", "<mergeCell ref='A1:B2'/>", "C:\\x.csv"),
    *("a" * 300, "a.b.c = 1", "x = {}", "x = []", "x = 1", "{a = 1}", "[" * 40, "{a=" * 30),
    *("a." * 50 + "a = 1", "\t", "\n", "\r", "\r\n", "\n\n", "# "),
)
_WORD = re.compile(r"[^\s,;=\[\]<>{}\"']{1,99}|\[[^\]\n]{0,30}\]|\"[^\"\n]{0,99}\"")
_FILLERS = ("a", "1", " ", ".", "9.", "-", "[", "{", "(", '"', "Â", ",", "\n", "a.", "x,", "[a]\n", "<a>", "0,0\n")
_ENCODINGS = ("utf-16", "utf-16-le", "latin-1", "cp1252", "utf-8-sig", "utf-32")


def mutate(data: bytes, rng: random.Random) -> bytes:
    """Change a case in one to four places."""
    for _ in range(rng.choice((1, 1, 1, 2, 2, 3, 4))):
        data = rng.choices(_CHANGES, _WEIGHTS)[0](data, rng)
    return data[:65_536]


def _word(data: bytes, rng: random.Random) -> bytes:
    """Put a nasty token, or a word from elsewhere in the case, in the place of a word."""
    text = data.decode("utf-8", "surrogateescape")
    words = list(_WORD.finditer(text))
    if not words:
        return data + rng.choice(TOKENS).encode()
    old = rng.choice(words)
    new = rng.choice(TOKENS) if rng.random() < 0.8 else rng.choice(words)[0]
    if old[0].startswith('"') and rng.random() < 0.7:
        new = f'"{new}"'
    return (text[: old.start()] + new + text[old.end() :]).encode("utf-8", "surrogateescape")


def _lines(data: bytes, rng: random.Random) -> bytes:
    """Double, drop, or move a line."""
    lines = data.split(b"\n")
    at, to = rng.randrange(len(lines)), rng.randrange(len(lines) + 1)
    kind = rng.randrange(4)
    if kind == 0:
        lines[to:to] = [lines[at]] * rng.choice((1, 1, 2, 50, 2000 // (1 + len(lines[at]) // 8)))
    elif kind == 1:
        del lines[at]
    elif kind == 2:
        lines.insert(to, lines.pop(at))
    else:
        lines = lines[: at + 1]
    return b"\n".join(lines)


def _bytes(data: bytes, rng: random.Random) -> bytes:
    """Put in, take out or flip a few bytes."""
    at = rng.randrange(len(data) + 1)
    kind = rng.randrange(3)
    if kind == 0:
        return data[:at] + rng.randbytes(rng.choice((1, 2, 4))) + data[at:]
    if kind == 1:
        return data[:at] + data[at + rng.choice((1, 2, 8, 64)) :]
    return data[:at] + bytes(b ^ 1 << rng.randrange(8) for b in data[at : at + 1]) + data[at + 1 :]


def _insert(data: bytes, rng: random.Random) -> bytes:
    """Put a token anywhere."""
    at = rng.randrange(len(data) + 1)
    return data[:at] + rng.choice(TOKENS).encode() + data[at:]


def _swell(data: bytes, rng: random.Random) -> bytes:
    """Repeat something small very often."""
    at = rng.randrange(len(data) + 1)
    filler = rng.choice(_FILLERS)
    count = rng.choice((30, 300, 3000, 60_000)) // len(filler)
    return data[:at] + filler.encode() * count + data[at:]


def _encode(data: bytes, rng: random.Random) -> bytes:
    """Write the text in another encoding, with other line ends, or with a mark in front."""
    text = data.decode("utf-8", "replace")
    kind = rng.randrange(3)
    if kind == 0:
        return text.encode(rng.choice(_ENCODINGS), "replace")
    if kind == 1:
        return text.replace("\n", rng.choice(("\r", "\r\n", "\x0b", "\u2028"))).encode()
    return b"\xef\xbb\xbf" + data


def _column(data: bytes, rng: random.Random) -> bytes:
    """Put the same token into one cell of every line, as a column of it."""
    token, at = rng.choice(TOKENS).encode(), rng.randrange(8)
    lines = [line.split(b",") for line in data.split(b"\n")]
    for cells in lines[rng.randrange(2) :]:
        if at < len(cells):
            cells[at] = token
    return b"\n".join(b",".join(cells) for cells in lines)


_CHANGES = (_word, _lines, _bytes, _insert, _swell, _encode, _column)
_WEIGHTS = (50, 15, 10, 12, 2, 2, 4)
