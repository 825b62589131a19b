"""A tray's name in letters five lines high, to be read at arm's length in the sun."""

from __future__ import annotations

ROWS = 5
_SIGNS = {  # five rows of three dots each
    "0": "111101101101111", "1": "010110010010111", "2": "111001111100111", "3": "111001111001111",
    "4": "101101111001001", "5": "111100111001111", "6": "111100111101111", "7": "111001010010010",
    "8": "111101111101111", "9": "111101111001111", "A": "010101111101101", "B": "110101110101110",
    "C": "111100100100111", "D": "110101101101110", "E": "111100110100111", "F": "111100110100100",
    "G": "111100101101111", "H": "101101111101101", "I": "111010010010111", "J": "001001001101111",
    "K": "101101110101101", "L": "100100100100111", "M": "101111111101101", "N": "110101101101101",
    "O": "010101101101010", "P": "111101111100100", "Q": "111101101111001", "R": "110101110101101",
    "S": "011100010001110", "T": "111010010010010", "U": "101101101101111", "V": "101101101101010",
    "W": "101101111111101", "X": "101101010101101", "Y": "101101010010010", "Z": "111001010100111",
    "-": "000000111000000", "+": "000010111010000", ".": "000000000000010", " ": "000000000000000",
}  # fmt: skip


def big_letters(name: str, *, plain: bool = False, most: int = 6) -> list[str]:
    """A name in letters five lines high; one too long or with other signs stays as it is, on the middle line."""
    signs = name.upper()
    if len(signs) > most or not all(sign in _SIGNS for sign in signs):
        return [" " * len(name) if row != ROWS // 2 else name for row in range(ROWS)]
    dot = "##" if plain else "██"
    return [
        "  ".join("".join(dot if bit == "1" else "  " for bit in _SIGNS[sign][3 * row : 3 * row + 3]) for sign in signs)
        for row in range(ROWS)
    ]
