"""Words for what is replaced whole: a board, or what feeds a device from outside."""

from __future__ import annotations

from kb.reading import function_words


def is_adapter(word: str) -> bool:
    """Whether a word names what feeds a device from outside: "Steckernetzteil", "laptopadapter"."""
    return word in function_words.ADAPTER or word.endswith(("adapter", "steckernetzteil"))


def is_whole_board(word: str) -> bool:
    """Whether a word names a whole board: "Besturingsprint", "Steuerplatine"."""
    return word in function_words.WHOLE_BOARD or (
        len(word) > 7 and word.endswith(("platine", "print", "printplaat", "netzteil", "modul", "mainboard"))
    )
