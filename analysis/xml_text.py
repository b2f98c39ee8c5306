"""Words for XML documents: titles and instructions come from anybody, and XML cannot hold every character."""

from __future__ import annotations

import re
from typing import Final

#: What XML 1.0 (section 2.2) has no place for: control characters, halves of surrogate pairs, two that are none.
_IMPOSSIBLE: Final = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")


def xml_text(text: str) -> str:
    """`text` in one line with single spaces, without what XML cannot hold."""
    return " ".join(_IMPOSSIBLE.sub(" ", text).split())
