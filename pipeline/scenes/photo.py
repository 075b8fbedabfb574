"""Write a drawn picture as a phone would: JPEG or PNG with Exif tags, turned as the tag says."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image
from PIL.ExifTags import IFD, Base

if TYPE_CHECKING:
    from pipeline.records import ImageRGB
    from pipeline.scenes.spec import CameraSpec, PhotoTags

# stored picture = upright picture turned by this, so that a viewer who obeys the tag turns it back
_STORE = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_90,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_270,
}


def write_photo(path: Path, image: ImageRGB, camera: CameraSpec, tags: PhotoTags) -> None:
    """Write a photo; the file's ending decides between JPEG and PNG.

    Raises
    ------
    ValueError
        If the orientation is not 1 to 8, or a time with an offset tag is naive.
    """
    if not 1 <= tags.orientation <= 8:
        raise ValueError(f"orientation must be 1 to 8, got {tags.orientation}")
    picture = Image.fromarray(image)
    if tags.orientation != 1:
        picture = picture.transpose(_STORE[tags.orientation])
    exif = exif_of(camera, tags)
    if path.suffix.lower() == ".png":
        picture.save(path, exif=exif, optimize=False, compress_level=6)
    else:
        picture.save(path, format="JPEG", quality=tags.quality, subsampling=2, optimize=True, exif=exif)


def exif_of(camera: CameraSpec, tags: PhotoTags) -> Image.Exif:
    """The Exif block of a photo."""
    exif = Image.Exif()
    exif[Base.Make] = camera.maker
    exif[Base.Model] = camera.model
    exif[Base.Orientation] = tags.orientation
    inner = exif.get_ifd(IFD.Exif)
    if tags.focal_35mm:
        inner[Base.FocalLengthIn35mmFilm] = round(camera.focal_35mm)
    if tags.taken_at is not None:
        inner[Base.DateTimeOriginal] = tags.taken_at.strftime("%Y:%m:%d %H:%M:%S")
        if tags.offset:
            offset = tags.taken_at.utcoffset()
            if offset is None:
                raise ValueError("taken_at needs a time zone to write its offset")
            minutes = round(offset.total_seconds() / 60)
            sign = "-" if minutes < 0 else "+"
            inner[Base.OffsetTimeOriginal] = f"{sign}{abs(minutes) // 60:02d}:{abs(minutes) % 60:02d}"
    return exif
