"""From light and reflectance to the linear picture inside a camera.

The chain is that of an ordinary camera: sensor response, white balance, exposure, and one colour
matrix to linear sRGB, mixed from the two that the maker fitted under daylight and under tungsten
light. Lamps with an uneven spectrum therefore leave colour errors that no white balance can mend,
as they do in real photos.
"""

from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from simulator._library import colour_science
from simulator.spectra import WAVELENGTHS, Array, reflectance_to_xyz, xyz_to_lab

CAMERAS = ("Nikon 5100 (NPL)", "Sigma SDMerill (NPL)")
LAMPS = ("D65", "A", "FL2", "FL11", "LED-B1", "LED-B3")
WHITE_BALANCE_ERROR = (1.12, 1.0, 0.90)
# A little under "white = 1", so that a pale eye ring stays below clipping.
EXPOSURE = 0.85

Triple = tuple[float, float, float]


@lru_cache(maxsize=32)
def response_weights(illuminant: str, camera: str) -> Array:
    """Sensor weights with white balance right for the lamp; shape (81, 3), columns sum to 1.

    Parameters
    ----------
    illuminant : str
        Key of ``colour.SDS_ILLUMINANTS``.
    camera : str
        Key of ``colour.MSDS_CAMERA_SENSITIVITIES`` (measured at the National Physical Laboratory).
        A camera measured over a shorter range is taken as blind outside it.
    """
    colour = colour_science()
    shape = colour.SpectralShape(WAVELENGTHS[0], WAVELENGTHS[-1], 5)
    light = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values
    sensor = colour.MSDS_CAMERA_SENSITIVITIES[camera]
    sensitivity = np.column_stack(
        [np.interp(WAVELENGTHS, sensor.wavelengths, s, left=0, right=0) for s in sensor.values.T]
    )
    weights = np.clip(sensitivity, 0, None) * light[:, None]
    weights /= weights.sum(axis=0)
    weights.flags.writeable = False
    return weights


def colour_matrix(camera: str, illuminant: str = "D65") -> Array:
    """The camera's matrix from white-balanced camera RGB to linear sRGB, shape (3, 3).

    Mixed from the matrices fitted under D65 and A, linearly in reciprocal colour temperature, as
    the Digital Negative specification (version 1.4, chapter 6) describes for cameras.
    """
    low, high, here = (1 / colour_temperature(name) for name in ("D65", "A", illuminant))
    warm = float(np.clip((here - low) / (high - low), 0, 1))
    return (1 - warm) * _fitted_matrix(camera, "D65") + warm * _fitted_matrix(camera, "A")


@lru_cache(maxsize=32)
def colour_temperature(illuminant: str) -> float:
    """Correlated colour temperature in kelvin of a lamp (McCamy 1992)."""
    colour = colour_science()
    shape = colour.SpectralShape(WAVELENGTHS[0], WAVELENGTHS[-1], 5)
    light = colour.SDS_ILLUMINANTS[illuminant].copy().align(shape).values
    xyz = light @ colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"].align(shape).values
    return float(colour.xy_to_CCT(xyz[:2] / xyz.sum(), method="McCamy 1992"))


@lru_cache(maxsize=8)
def _fitted_matrix(camera: str, illuminant: str) -> Array:
    """The maker's matrix for one light, whose rendering under D65 is the aim.

    Fitted on the 190 reflectances of the Academy's "rawtoaces" training set, which colour-science
    carries and which is not the 24-patch chart. White stays white (rows sum to 1); the other six
    numbers minimise the sum of squared CIELAB differences.
    """
    colour = colour_science()
    training = colour.characterisation.read_training_data_rawtoaces_v1()
    reflectance = training.copy().align(colour.SpectralShape(380, 780, 5)).values.T
    raw = reflectance @ response_weights(illuminant, camera)
    xyz = reflectance_to_xyz(reflectance)
    lab = xyz_to_lab(xyz)
    to_xyz = _srgb_to_xyz()

    def matrix(free: Array) -> Array:
        pairs = free.reshape(3, 2)
        return np.column_stack([pairs, 1 - pairs.sum(axis=1)])

    def difference(free: Array) -> Array:
        return np.asarray((xyz_to_lab(raw @ matrix(free).T @ to_xyz.T) - lab).ravel())

    # Start from the plain linear fit with the same constraint.
    target = xyz @ np.linalg.inv(to_xyz).T
    start = np.linalg.lstsq(raw[:, :2] - raw[:, 2:], target - raw[:, 2:], rcond=None)[0].T
    fitted = matrix(least_squares(difference, start.ravel(), method="lm").x)
    fitted.flags.writeable = False
    return fitted


@lru_cache(maxsize=1)
def _srgb_to_xyz() -> Array:
    """IEC 61966-2-1 primaries, scaled so that white is the D65 white of the spectra module."""
    colour = colour_science()
    matrix = np.array(colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ)
    white = reflectance_to_xyz(np.ones(WAVELENGTHS.size))
    return np.asarray(matrix * np.linalg.solve(matrix, white))


def photograph(
    reflectance: npt.ArrayLike,
    illuminant: str = "D65",
    camera: str = CAMERAS[0],
    white_balance_error: Triple = WHITE_BALANCE_ERROR,
    exposure: float = EXPOSURE,
) -> Array:
    """Linear sRGB of reflectances as a camera records them.

    Light adds up linearly, so a scene made of a few materials needs this once per material: any
    mixture of materials in a pixel is the same mixture of the returned colours.

    Parameters
    ----------
    reflectance : (..., 81) array_like
        At :data:`simulator.spectra.WAVELENGTHS`.
    illuminant, camera : str
        See :func:`response_weights`.
    white_balance_error : (float, float, float)
        Factors by which a grey comes out wrong in the red, green and blue of linear sRGB. They are
        made where a camera makes them, in its own channels before its matrix, so they are not
        the same for every colour.
    exposure : float
        1 puts a perfect white at linear 1 (when the white balance is right).

    Returns
    -------
    (..., 3) array
        Linear sRGB, neither clipped nor rounded; it may be slightly below 0.
    """
    matrix = colour_matrix(camera, illuminant)
    gains = np.linalg.solve(matrix, np.asarray(white_balance_error, dtype=float))
    raw = np.asarray(reflectance, dtype=float) @ response_weights(illuminant, camera)
    return np.asarray((raw * gains * exposure) @ matrix.T)
