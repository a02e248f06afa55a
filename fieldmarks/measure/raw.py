"""Camera raw: a photo without any camera look.

A raw file holds what the sensor counted. It is read (LibRaw, through rawpy) to linear light with
the camera's own matrix and nothing else: no tone curve, no saturation, no sharpening. That is the
best evidence a photo can be: the part of the uncertainty that stands for a phone's rendering
shrinks (:func:`fieldmarks.measure.uncertainty.camera_part`).
"""

import io

import numpy as np
import numpy.typing as npt

from fieldmarks._util.errors import PhotoError
from fieldmarks.measure.colour import RGB_TO_XYZ
from fieldmarks.measure.icc import Profile


def develop(data: bytes, max_megapixels: float) -> tuple[npt.NDArray[np.uint16], Profile]:
    """Develop a camera raw file.

    Args:
        max_megapixels: Refuse larger pictures before developing them.

    Returns:
        codes : (h, w, 3) array of uint16: Linear light, upright.
        profile : Profile: The camera's own colours.

    Raises:
        PhotoError: rawpy is not installed, or the file is no readable colour raw.
    """
    try:
        import rawpy
    except ImportError:
        raise PhotoError(
            "camera raw files need the extra library rawpy",
            mend="Install it with: pip install rawpy",
        ) from None
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            megapixels = raw.sizes.raw_width * raw.sizes.raw_height / 1e6
            if megapixels > max_megapixels:
                raise PhotoError(
                    f"the picture is {megapixels:.0f} megapixels, the limit is {max_megapixels:.0f}"
                )
            # A Digital Negative brings its own matrix to sRGB; for others LibRaw knows the maker's.
            matrix = np.asarray(raw.color_matrix, dtype=float)[:, :3]
            if not matrix.any():
                matrix = camera_to_srgb(np.asarray(raw.rgb_xyz_matrix, dtype=float)[:3])
            picture = raw.postprocess(
                output_color=rawpy.ColorSpace.raw,
                use_camera_wb=True,
                gamma=(1, 1),
                no_auto_bright=True,
                output_bps=16,
                highlight_mode=rawpy.HighlightMode.Clip,
            )
            if picture.ndim != 3 or picture.shape[2] != 3:
                raise ValueError("not three colours")
    except PhotoError:
        raise
    except Exception as error:  # LibRaw raises one class per kind of damage
        raise PhotoError(
            "this is not a camera raw file that can be read",
            mend="Copy it again from the camera, or use its JPEG",
        ) from error
    ramp = (np.arange(65536) / 65535).astype(np.float32)
    return np.asarray(picture), Profile("camera raw, no look", np.stack([ramp] * 3), matrix)


def camera_to_srgb(xyz_to_camera: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    """Matrix from white-balanced camera RGB to linear light on the sRGB primaries.

    The maker's matrix goes from XYZ (D65) to camera RGB (Digital Negative specification 1.4,
    chapter 6). Joined with that of sRGB, its rows are scaled so that a balanced white is a white.

    Raises:
        ValueError: The file carries no usable matrix.
    """
    joined = xyz_to_camera @ RGB_TO_XYZ
    sums = joined.sum(axis=1, keepdims=True)
    if not np.isfinite(joined).all() or (np.abs(sums) < 1e-6).any():
        raise ValueError("no camera matrix")
    return np.linalg.inv(joined / sums)
