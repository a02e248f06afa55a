"""A 24-patch chart photographed by the simulator: colours in the photo, and the true ones."""

import numpy as np
import numpy.typing as npt

from simulator import phone
from simulator.camera import (
    CAMERAS,
    EXPOSURE,
    WHITE_BALANCE_ERROR,
    Triple,
    photograph,
)
from simulator.spectra import (
    CHART_DATASET,
    Array,
    chart_reflectances,
    reflectance_to_lab,
)

# Order of the chart: the last six patches are the neutrals, white first.
NEUTRAL_PATCHES = slice(18, 24)


def simulated_patches(
    reflectance: npt.ArrayLike,
    illuminant: str = "FL2",
    camera: str = CAMERAS[0],
    white_balance_error: Triple = WHITE_BALANCE_ERROR,
    phone_strength: float = 0.0,
    exposure: float = EXPOSURE,
) -> tuple[Array, Array]:
    """Even patches of known reflectance as they stand in a photo.

    Parameters
    ----------
    reflectance : (n, 81) array_like
        At :data:`simulator.spectra.WAVELENGTHS`.
    illuminant, camera, white_balance_error, exposure
        See :func:`simulator.camera.photograph`.
    phone_strength : float
        0 is the plain sRGB encoding, 1 a lively phone.

    Returns
    -------
    srgb : (n, 3) array
        Encoded sRGB in 0..1, not rounded (``phone.to_8bit`` rounds); no noise.
    lab : (n, 3) array
        True CIELAB of the reflectances, D65, 2 degrees.
    """
    linear = photograph(reflectance, illuminant, camera, white_balance_error, exposure)
    return phone.render(linear, phone_strength), reflectance_to_lab(reflectance)


def simulated_chart(
    illuminant: str = "FL2",
    camera: str = CAMERAS[0],
    white_balance_error: Triple = WHITE_BALANCE_ERROR,
    phone_strength: float = 0.0,
    exposure: float = EXPOSURE,
    dataset: str = CHART_DATASET,
) -> tuple[Array, Array]:
    """The 24-patch colour chart as it stands in a photo.

    Parameters
    ----------
    dataset : str
        See :func:`simulator.spectra.chart_reflectances`; the rest as in
        :func:`simulated_patches`.

    Returns
    -------
    srgb : (24, 3) array
        Encoded sRGB in 0..1, not rounded.
    lab : (24, 3) array
        True CIELAB, D65, 2 degrees, of the published reflectances.
    """
    _, reflectance = chart_reflectances(dataset)
    srgb, lab = simulated_patches(
        reflectance, illuminant, camera, white_balance_error, phone_strength, exposure
    )
    return np.asarray(srgb), lab
