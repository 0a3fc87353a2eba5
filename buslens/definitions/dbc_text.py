"""The text of a DBC file: its encoding."""


def decode_text(data: bytes) -> str:
    """Return the text of a DBC file.

    A byte order mark decides. Without one the format's default is cp1252; but editors save UTF-8, and files get
    pasted together, so each line that is UTF-8 is read as such: text in cp1252 that happens to be UTF-8 is not
    a word of any language. The five bytes that cp1252 leaves open stay control characters.

    Raises UnicodeDecodeError if a byte order mark promises UTF-16 and the rest breaks the promise.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        text = data[: len(data) & ~1].decode("utf-16")  # the last character may have been cut in two
    else:
        data = data.removeprefix(b"\xef\xbb\xbf")
        text = (
            data.decode("ascii")
            if data.isascii()
            else "".join(_decode_line(line) for line in data.splitlines(keepends=True))
        )
    return text.replace("\r\n", "\n").replace("\r", "\n")


def _decode_line(line: bytes) -> str:
    try:
        return line.decode("utf-8")
    except UnicodeDecodeError:
        return "".join(
            chr(byte) if byte in {0x81, 0x8D, 0x8F, 0x90, 0x9D} else bytes((byte,)).decode("cp1252") for byte in line
        )
