"""What a timber's own readings say of its numbers: its fit with the prior taken out again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from baulk.models.constants import Floats
from baulk.models.errors import OutOfRange

SPEAKS: Final = 0.25  # gain over the prior's precision that outweighs noise; our own judgement, no source
NOISE: Final = 0.1  # gain that is nothing but the noise of 64 members; our own judgement, no source
SILENT: Final = 1000.0  # error in the default's sd of one that says nothing
BEYOND: Final = 1.0  # sd of a fit, as far as an estimate lies beyond it; our own judgement, no source
FARTHEST: Final = 3.0  # of the default's sd from its middle, for an estimate; our own judgement, no source


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """Numbers of a timber after its fit, and what they were before.

    Parameters
    ----------
    names : tuple of str
        Names of `baulk.models.yard.kinship.LEARNED`.
    mean, cov : ndarray, shape (p,) and (p, p)
        After the fit, each in its own unit.
    prior_mean, prior_cov : ndarray, shape (p,) and (p, p)
        Before it, as the fit drew them.
    default_mean, default_sd : ndarray, shape (p,)
        Before it for a timber of which the yard knows nothing; without correlation.
    members : int
        Size of the ensemble that `cov` was taken from.
    """

    names: tuple[str, ...]
    mean: Floats
    cov: Floats
    prior_mean: Floats
    prior_cov: Floats
    default_mean: Floats
    default_sd: Floats
    members: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """What a timber's own readings say of one of its numbers.

    Parameters
    ----------
    value, sd : float
        In the number's own unit.
    """

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JointEstimate:
    """What a timber's own readings say of several of its numbers at once.

    Parameters
    ----------
    names : tuple of str
        Which.
    precision : ndarray, shape (k, k)
        Positive semi-definite: readings may say something of a sum and nothing of its parts. [1 / unit^2]
    pull : ndarray, shape (k,)
        Precision times the values. [1 / unit]
    """

    names: tuple[str, ...]
    precision: Floats
    pull: Floats


@dataclass(frozen=True, slots=True, kw_only=True)
class Own:
    """All that a timber's own readings say.

    Parameters
    ----------
    says : mapping of str to Estimate
        Of each number by itself, with a huge error where they say nothing.
    together : JointEstimate or None
        Of its numbers together; None where they were not fitted.
    """

    says: Mapping[str, Estimate]
    together: JointEstimate | None = None


def own(found: Posterior, together: tuple[str, ...]) -> Own:
    """Take the prior out of a fit.

    Parameters
    ----------
    found : Posterior
        The fit.
    together : tuple of str
        Names that are wanted together as well.

    Returns
    -------
    Own
        Those of its numbers that are not asked for are as doubtful in it as by default, whatever prior the
        fit had, so that what kin say of one never returns through another.

    Raises
    ------
    OutOfRange
        If the ensemble is too small for so many numbers.

    Notes
    -----
    The ensemble of a fit has the covariance of its prior exactly before the readings, so that the inverse
    of its covariance after them needs no correction for few members. Readings draw a fit from its prior
    part of the way to where they would have it; how far they would go on is only guessed, for a fit is
    not linear: one standard deviation at most. From night to night the priors follow, and the guess is
    needed less. Weak forms fade, for else the noise of many timbers would add up.
    """
    size = len(found.names)
    if found.members < size + 3:
        raise OutOfRange("the ensemble", f"needs {size + 3} members for {size} numbers, not {found.members}")
    scale = np.sqrt(np.diag(found.prior_cov))
    square = np.outer(scale, scale)
    root = np.linalg.cholesky(found.prior_cov / square)
    into = np.linalg.inv(root)  # to numbers whose prior is standard normal
    gain, forms = np.linalg.eigh(np.linalg.inv(into @ (found.cov / square) @ into.T) - np.eye(size))
    moved = into @ ((found.mean - found.default_mean) / scale)
    before = into @ ((found.prior_mean - found.default_mean) / scale)
    real = gain > NOISE
    fading = np.where(real, gain**2 / (gain**2 + SPEAKS**2), 0.0)
    after, usual = forms.T @ moved, forms.T @ before
    most = BEYOND / np.sqrt(np.maximum(gain, 0.0) + 1)
    farther = np.clip((after - usual) / np.where(real, gain, 1.0), -most, most)
    pull = fading * gain * (after + farther)
    back = into.T @ forms
    precision, drawn = (back * (fading * gain)) @ back.T, back @ pull
    unit = found.default_sd / scale  # from here on in the default's units
    precision, drawn = np.outer(unit, unit) * precision, unit * drawn
    wanted = tuple(name for name in together if name in found.names)
    says = {}
    for name, middle, sd in zip(found.names, found.default_mean, found.default_sd, strict=True):
        one, of_one = _alone(found.names, (name,), precision, drawn)
        told = float(one[0, 0])
        if told <= 1 / SILENT:
            says[name] = Estimate(value=float(middle), sd=SILENT * float(sd))
            continue
        value = float(np.clip(of_one[0], -FARTHEST * told, FARTHEST * told)) / told
        says[name] = Estimate(value=float(middle + sd * value), sd=float(sd) * told**-0.5)
    if not wanted:
        return Own(says=says)
    at = [found.names.index(name) for name in wanted]
    some, of_some = _alone(found.names, wanted, precision, drawn)
    natural = some / np.outer(found.default_sd[at], found.default_sd[at])
    pulled = of_some / found.default_sd[at] + natural @ found.default_mean[at]
    return Own(says=says, together=JointEstimate(names=wanted, precision=natural, pull=pulled))


def settled(before: Own, now: Own) -> Own:
    """Take a new fit's estimates half and what was held before half, so that the yard settles.

    What a fit says apart from its prior is noisy where the prior is narrow: without this, weak timbers that
    narrow each other's priors today would not be heard tomorrow, and again the day after.

    Parameters
    ----------
    before, now : Own
        Held until now, and of the new fit.

    Returns
    -------
    Own
        With the names of the new fit.
    """
    says = {}
    for name, new in now.says.items():
        old = before.says.get(name, new)
        told, held = new.sd**-2, old.sd**-2
        value = (told * new.value + held * old.value) / (told + held)
        says[name] = Estimate(value=value, sd=((told + held) / 2) ** -0.5)
    whole, held_whole = now.together, before.together
    if whole is not None and held_whole is not None and held_whole.names == whole.names:
        whole = JointEstimate(
            names=whole.names,
            precision=(whole.precision + held_whole.precision) / 2,
            pull=(whole.pull + held_whole.pull) / 2,
        )
    return Own(says=says, together=whole)


def told_of(
    told: Sequence[JointEstimate], wanted: tuple[str, ...], usual: Mapping[str, tuple[float, float]]
) -> tuple[Floats, Floats]:
    """Say the same of some of the numbers, the others being as by default.

    Parameters
    ----------
    told : sequence of JointEstimate
        One a timber, all with the same names; at least one.
    wanted : tuple of str
        Which of the numbers.
    usual : mapping of str to (float, float)
        Mean and standard deviation of the default prior of every number.

    Returns
    -------
    precision, pull : ndarray, shapes (n, k, k) and (n, k)
        About the default and in its units. [-]
    """
    names = told[0].names
    middle, unit = (np.array([usual[name][i] for name in names]) for i in (0, 1))
    precision, pull = np.array([each.precision for each in told]), np.array([each.pull for each in told])
    return _alone(names, wanted, np.outer(unit, unit) * precision, unit * (pull - precision @ middle))


def _alone(
    names: tuple[str, ...], wanted: tuple[str, ...], precision: Floats, pull: Floats
) -> tuple[Floats, Floats]:
    """Leave the other numbers at their default prior, in whose units all is, and integrate over them."""
    mine = [names.index(name) for name in wanted]
    rest = [i for i in range(len(names)) if i not in mine]
    across = precision[..., rest, :][..., mine]
    through = np.linalg.solve(precision[..., rest, :][..., rest] + np.eye(len(rest)), across)
    some = precision[..., mine, :][..., mine] - np.swapaxes(across, -1, -2) @ through
    return some, pull[..., mine] - np.einsum("...rm,...r->...m", through, pull[..., rest])
