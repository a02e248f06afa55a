"""One grey card on the published 24-patch reflectances, six lamps, two measured cameras.

Source: reflectances, illuminants and camera sensitivities that colour-science carries. The limits
are figures of a straightforward grey-card calibration on the same data (from memory, rounded up):
1.3 CIEDE2000 (D65) to 4.2 on the first camera, 2.5 to 5.9 on the second.
"""

import numpy as np
import pytest
from chart import judge
from simulator.camera import CAMERAS, LAMPS

LIMITS = dict(zip(CAMERAS, ((1.3, 4.2), (2.5, 5.9)), strict=True))


@pytest.mark.parametrize("camera", CAMERAS)
def test_a_grey_card_is_as_good_as_it_should_be_on_a_straight_camera(camera):
    daylight, others = LIMITS[camera]
    for lamp in LAMPS:
        found = judge(lamp, camera, phone=0.0)
        assert found["after"] <= (daylight if lamp == "D65" else others), lamp
        assert found["after"] < found["before"], lamp


def test_the_stated_uncertainty_holds_on_a_moderate_phone():
    found = [judge(lamp, camera, 0.5) for lamp in LAMPS for camera in CAMERAS]
    assert np.mean([f["inside"] for f in found]) >= 0.94
    # From memory: a real phone's chart after one grey patch, 95 % of the patches within 8.4.
    assert np.mean([f["stated"] for f in found]) >= 8.4
    assert np.median([f["stated"] for f in found]) < 11
