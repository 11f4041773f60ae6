"""What a hostile file says: odd values, names and markup that must never come out as markup."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TypeVar

import numpy as np

T = TypeVar("T")
Mutation = Callable[[bytes, np.random.Generator], bytes]
EVIL = "</script></style></title><rtx771 onload=x>\" rtx771='1' ' rtx771=\"1\""
ODD = [b"", b"0", b"-1", b"1e999", b"nan", b"inf", b"9" * 400, b"1e-320", b"-0.0",
       b"true", b"[]", b"{}", b"[[1, 2], [1]]", b"\x00", b"\xff\xfe",
       b'""', b'"' + b"x" * 5000 + b'"', b"[" * 3000, b"{'a':" * 500, b"=HYPERLINK(\"http://x\")",
       b"../../../escape", b'"@ROOT@/escape"', b'"../../escape"',
       b"/etc/passwd",
       b"a\nb",
       b"\xe2\x80\xae", b"9999-12-31", b"<rtx771 onload=x>", b"1,5", b";", b"#", b"A1048577", b"1e308", b"null"]
NAMES = ["<rtx771 onload=x>", "\"' rtx771='1", "=1+1", "a\nb", "..hidden", "%s%n{0}", "[a]*?", "é\u202e", "-x", "a#2", "x" * 200]


def pick(rng: np.random.Generator, items: Sequence[T]) -> T:
    """One of the items."""
    return items[int(rng.integers(len(items)))]
