"""User text on its way into C++: literals and comments that stay what they are."""

from __future__ import annotations

import unicodedata


def visible(text: str) -> str:
    """Text in one line: white space folded, invisible and direction marks written as U+XXXX."""
    folded = " ".join(text.split())
    return "".join(
        f"U+{ord(c):04X}" if unicodedata.category(c) in ("Cc", "Cf", "Co", "Cs", "Cn") else c
        for c in folded
    )


def comment(text: str) -> str:
    """Text for a ``//`` comment: one line, and no backslash that would carry the line on."""
    return visible(text).replace("\\", "/").replace("??/", "?? /")


def literal(codes: bytes) -> str:
    """Bytes as a C string literal; whatever is not plain ASCII goes in as three octal digits."""
    plain = set(range(0x20, 0x7F)) - set(b'"\\?')
    return '"' + "".join(chr(c) if c in plain else f"\\{c:03o}" for c in codes) + '"'


def wrap(text: str, width: int) -> list[str]:
    """Text in lines of at most ``width`` columns where words allow."""
    lines = [""]
    for word in text.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > width:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}".strip()
    return lines
