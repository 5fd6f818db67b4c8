"""Compare the words of a page with those expected: numbers may differ by one in their last digit."""

import re

NUMBER = re.compile(r"\d+(?:,\d{3})*(?:\.\d+)?")


def same_word(shown: str, real: str) -> bool:
    if shown == real:
        return True
    if NUMBER.sub("#", shown) != NUMBER.sub("#", real):
        return False
    return all(close(a, b) for a, b in zip(NUMBER.findall(shown), NUMBER.findall(real), strict=True))


def close(shown: str, real: str) -> bool:
    digits = len(shown.partition(".")[2])
    if digits != len(real.partition(".")[2]):
        return False
    return abs(float(shown.replace(",", "")) - float(real.replace(",", ""))) <= 1.001 * 10.0**-digits
