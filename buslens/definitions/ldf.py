"""An LDF file, the description of a LIN cluster, becomes messages and signals.

The form is that of the LIN specification 2.2A, chapter 9 (its number from memory).

The library ldfparser reads the file; the extra ``lin`` of buslens installs it.
"""

import re
from typing import Any

from buslens.definitions.cache import Content
from buslens.definitions.model import Message, Signal
from buslens.errors import DefinitionError, SourceLocation


def parse_ldf(data: bytes, path: str) -> Content:
    """Return the unconditional frames of an LDF file as messages, each with its identifier without parity.

    Raises DefinitionError if it cannot be read, or the library is not there.
    """
    try:
        import ldfparser
        from lark.exceptions import LarkError, UnexpectedInput
    except ImportError as error:
        raise DefinitionError(
            "an LDF file is read with ldfparser, which is not installed: pip install 'buslens[lin]'",
            SourceLocation(path),
        ) from error
    try:
        cluster = ldfparser.parse_ldf(path, encoding="latin-1")
    except UnexpectedInput as error:
        raise DefinitionError("the LDF file cannot be read from here on", SourceLocation(path, error.line)) from error
    except (LarkError, ValueError, LookupError, TypeError, AttributeError) as error:
        raise DefinitionError(f"the LDF file cannot be read: {error}", SourceLocation(path)) from error
    text = data.decode("latin-1")
    messages = []
    for frame in cluster.get_unconditional_frames():
        source = _place(text, frame.name, path)
        messages.append(
            Message(
                name=frame.name,
                can_id=frame.frame_id,
                length=frame.length,
                signals=tuple(_signal(offset, one, text, path) for offset, one in frame.signal_map),
                senders=(frame.publisher.name,) if frame.publisher is not None else (),
                source=source,
            )
        )
    if not messages:
        raise DefinitionError("the LDF file has no frame", SourceLocation(path))
    return tuple(messages), ()


def _signal(offset: int, one: Any, text: str, path: str) -> Signal:
    """Return a signal: its first bit counted from that of the first byte, the least significant one first."""
    converters = one.encoding_type.get_converters() if one.encoding_type is not None else []
    physical = [it for it in converters if hasattr(it, "scale")]
    labels = {it.phy_value: it.info for it in converters if getattr(it, "info", None)}
    return Signal(
        name=one.name,
        start=offset,
        length=one.width,
        scale=physical[0].scale if len(physical) == 1 else 1,
        offset=physical[0].offset if len(physical) == 1 else 0,
        unit=(physical[0].unit or "") if len(physical) == 1 else "",
        labels=labels,
        source=_place(text, one.name, path),
    )


def _place(text: str, name: str, path: str) -> SourceLocation:
    match = re.search(rf"^\s*{re.escape(name)}\s*:", text, re.MULTILINE)
    return SourceLocation(path, text.count("\n", 0, match.end()) + 1 if match else None)
