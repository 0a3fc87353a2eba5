"""What a person sent with a form, read with a limit."""

from typing import Final
from urllib.parse import parse_qs

from starlette.requests import Request

from buslens.desk.upload import RefusedError

_MOST_BYTES: Final = 200_000
_MOST_FIELDS: Final = 100


async def read_form(request: Request) -> dict[str, str]:
    """Return the fields of a form; of one name the last counts.

    Raises
    ------
    RefusedError
        If it is no form of the desk's, or too long.
    """
    kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind != "application/x-www-form-urlencoded":
        raise RefusedError(415, "This is no form of the desk.")
    body = bytearray()
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_BYTES:
            raise RefusedError(413, "This text is too long for a form.")
    try:
        fields = parse_qs(body.decode("ascii"), keep_blank_values=True, errors="replace", max_num_fields=_MOST_FIELDS)
    except (UnicodeDecodeError, ValueError):
        raise RefusedError(400, "This is no form of the desk.") from None
    return {name: values[-1].replace("\r\n", "\n").replace("\x00", "").strip() for name, values in fields.items()}
