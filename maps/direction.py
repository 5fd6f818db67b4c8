"""Names written from right to left amid text written from left to right."""

import re

# Hebrew, Arabic, Syriac, Thaana, N'Ko and the rest of the blocks that Unicode reserves for such scripts
_RTL = "\u0590-\u08ff\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff\U0001e800-\U0001efff"
# from one such letter to the last before a letter of another script, a line's end, or the end of a table's cell
_RUN = re.compile(rf"(\(?)([{_RTL}](?:(?:(?! {{2}})[^\n│┃|A-Za-z])*?[{_RTL}])*)(\)?)")
_TURNS = re.compile("[\u061c\u202a-\u202e\u2066-\u2069]")
FIRST_STRONG, POP = "\N{FIRST STRONG ISOLATE}", "\N{POP DIRECTIONAL ISOLATE}"


def isolated(text: str) -> str:
    """Set every name written from right to left apart, so that it does not drag the figures beside it along.

    Each run of such letters gets an isolate, as the Unicode Bidirectional Algorithm proposes (UAX 9, sections 2.4 and
    2.7); other signs that turn the direction are left out.

    >>> isolated("Kingman 12 mi")
    'Kingman 12 mi'
    >>> isolated("עכו 12 mi") == FIRST_STRONG + "עכו" + POP + " 12 mi"
    True
    """
    if text.isascii():
        return text
    return _RUN.sub(_apart, _TURNS.sub("", text))


def _apart(found: re.Match[str]) -> str:
    """Put the isolate round a run, with the bracket beside it when its other half stands inside."""
    before, run, after = found.groups()
    open_ones = run.count("(") - run.count(")")
    if open_ones > 0:
        run, after = run + after, ""
    elif open_ones < 0:
        before, run = "", before + run
    return f"{before}{FIRST_STRONG}{run}{POP}{after}"
