"""What the fit takes in exchange for another law, against a slab of our own that shares nothing with it."""

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from baulk.models.calibrate import parameters

GREEN_PCT, HALF_DRY_PCT, EMC_PCT, SATURATION_PCT = 64.0, 40.0, 14.0, 30.0  # of white oak in a shed
HALF_M, VOLUMES, SURFACE_M_S, LEVEL_M2_S = 0.1, 40, 7e-8, 1.9e-11
USUAL = parameters.LN_STEP


def seconds_until(target_pct, ln_d, slope, ln_step, surface_m_s=SURFACE_M_S):
    """Time in which a slab 200 mm thick comes from green to a mean; even volumes, integral of D."""
    wide, free = HALF_M / VOLUMES, np.exp(slope * (SATURATION_PCT - 20) + ln_step)
    level = LEVEL_M2_S * np.exp(ln_d)

    def flows(moist):
        bound = np.exp(slope * (np.minimum(moist, SATURATION_PCT) - 20)) / slope
        return bound + free * np.maximum(moist - SATURATION_PCT, 0.0)

    def rate(_t, moist):
        skin = flows(np.array([moist[0], EMC_PCT]))
        outward = level * (skin[0] - skin[1]) / (wide / 2)
        # the surface's own resistance, against moisture, behind that of half a volume
        outward /= 1 + outward / (surface_m_s * max(moist[0] - EMC_PCT, 1e-9))
        inward = np.concatenate([[-outward], -level * np.diff(flows(moist)) / wide, [0.0]])
        return -np.diff(inward) / wide

    def there(_t, moist):
        return moist.mean() - target_pct

    there.terminal = True
    found = solve_ivp(
        rate, (0, 1e10), np.full(VOLUMES, GREEN_PCT), method="LSODA", lband=1, uband=1, rtol=1e-5, atol=1e-3,
        events=there,
    )  # fmt: skip
    return float(found.t_events[0][0])


def exchanged(slope, ln_step):
    """The ln D that a member with this law has, where the first row says nothing of its own."""
    theta = np.zeros((len(parameters.PARAMETERS), 1))
    theta[parameters.SLOPE], theta[parameters.RAISED] = slope, ln_step
    return float(parameters.ln_d(theta)[0])


@pytest.mark.parametrize("slope", [0.05, 0.078, 0.11])
@pytest.mark.parametrize("ln_step", [-4.2, -2.6, -1.6, 0.0, 1.8])
def test_a_member_with_another_step_dries_as_long_as_one_with_the_usual(slope, ln_step):
    """Where free water stands still a front is fed by bound water alone: D need not grow without end.

    Green to 40 %, within 1.4 times (until the exchange came to an end it was up to 4). What it could not
    find: a section whose corners make another difference, sapwood, wood that starts much wetter.
    """
    usual = seconds_until(HALF_DRY_PCT, exchanged(slope, USUAL), slope, USUAL)
    other = seconds_until(HALF_DRY_PCT, exchanged(slope, ln_step), slope, ln_step)
    assert abs(np.log(other / usual)) < np.log(1.4)


def test_the_slab_of_this_test_has_lost_half_of_its_water_when_it_must():
    """At D t / l^2 = 0.1967 with one D and no surface resistance (Crank, The Mathematics of Diffusion)."""
    halfway = (GREEN_PCT + EMC_PCT) / 2
    found = seconds_until(halfway, 0.0, 1e-6, 0.0, surface_m_s=1e-3)
    assert found == pytest.approx(0.1967 * HALF_M**2 / LEVEL_M2_S, rel=0.005)
