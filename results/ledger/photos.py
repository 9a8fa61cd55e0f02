"""Photos of a unit: taken in as a picture and nothing else, kept in the store, small enough for a report.

    photo = ledger.add_photo("SK-A-004", data, "solder bridge at U2")
    ledger.photos("SK-A-004")                  what there is, oldest first, without the pictures
    ledger.picture(photo.uuid, small=True)     JPEG bytes

Whatever comes is decoded and written anew (JPEG): what a camera adds (where and when it was taken, its serial number)
does not come in, and neither does anything that only looks like a picture. Upright as the camera held it. What is not a
JPEG, PNG or WebP by its own first bytes is refused, whatever its name says.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import sqlalchemy as sa

from wakeboard.results.store import schema
from wakeboard.results.store.errors import StoreError

if TYPE_CHECKING:
    from PIL.Image import Image

MOST_BYTES: Final = 20 * 2**20  # a telephone's picture has 3 to 12 MB (common practice, no source)
MOST_PIXELS: Final = 80_000_000  # a bound on input: a picture made to fill the memory has more
FORMATS: Final = ("JPEG", "PNG", "WEBP")
LARGE, SMALL = 2400, 800  # px of the longer side: a designator is read on the one; the other goes into reports
QUALITY: Final = 85  # of JPEG, at which print on a part stays readable
ALLOWED: Final = f"a JPEG, PNG or WebP picture of {MOST_BYTES // 2**20} MB at most"


class PhotoRefused(StoreError):
    """What came is no photo that is taken in."""

    def __init__(self, found: str) -> None:
        super().__init__(f"the photo {found}; allowed is {ALLOWED}", kind="usage")


@dataclass(frozen=True, slots=True)
class Photo:
    """A photo without its picture. at: s since 1970; width, height: px."""

    uuid: str
    at: float
    by: str
    text: str
    width: int
    height: int

    @property
    def says(self) -> str:
        return f"photo: {self.text}" if self.text else "photo"


def put(connection: sa.Connection, unit: int, row: Mapping[str, object], large: bytes, small: bytes) -> None:
    """A photo of the unit of this key; row: what every row of the ledger has, and width and height."""
    connection.execute(sa.insert(schema.photo), {"unit_id": unit, **row, "data": large, "small": small})


def of_unit(connection: sa.Connection, unit: int) -> list[Photo]:
    """Oldest first."""
    columns = [schema.photo.c[name] for name in ("uuid", "at", "by", "text", "width", "height")]
    query = sa.select(*columns).where(schema.photo.c.unit_id == unit).order_by(schema.photo.c.id)
    return [Photo(*row) for row in connection.execute(query)]


def picture(connection: sa.Connection, uuid: str, small: bool) -> bytes | None:
    """JPEG; None where there is no such photo."""
    column = schema.photo.c.small if small else schema.photo.c.data
    found = connection.scalar(sa.select(column).where(schema.photo.c.uuid == uuid))
    return None if found is None else bytes(found)


# --- the picture ------------------------------------------------------------------------------------------------------
def rendered(data: bytes) -> tuple[bytes, bytes, tuple[int, int]]:
    """(large, small, px of the large one) of a picture as it came. Raises PhotoRefused."""
    if not data:
        raise PhotoRefused("is empty")
    if len(data) > MOST_BYTES:
        raise PhotoRefused(f"has {len(data) / 2**20:.0f} MB")
    found = _decoded(data)
    large = _within(found, LARGE)
    return _jpeg(large), _jpeg(_within(large, SMALL)), large.size


def _decoded(data: bytes) -> Image:
    try:
        from PIL import Image, ImageOps
    except ImportError:
        raise StoreError("photos need Pillow: pip install 'wakeboard[page]'", kind="usage") from None
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of how large it is: that is looked at here
            found: Any = Image.open(io.BytesIO(data), formats=FORMATS)
        if found.width * found.height > MOST_PIXELS:
            raise PhotoRefused(f"has {found.width * found.height / 1e6:.0f} million pixels")
        found.draft("RGB", (LARGE, LARGE))  # a JPEG comes out smaller with less work
        return ImageOps.exif_transpose(found).convert("RGB")
    except PhotoRefused:
        raise
    except Image.DecompressionBombError:
        raise PhotoRefused("has too many pixels") from None
    except Exception:  # noqa: BLE001  bytes of anybody's: a decoder may fail in any way
        raise PhotoRefused("is none, or is damaged") from None


def _within(image: Image, side: int) -> Image:
    smaller = image.copy()
    smaller.thumbnail((side, side))
    return smaller


def _jpeg(image: Image) -> bytes:
    """Nothing but the picture: no metadata is handed on."""
    out = io.BytesIO()
    image.save(out, "JPEG", quality=QUALITY, optimize=True)
    return out.getvalue()
