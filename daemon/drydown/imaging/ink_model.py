"""A printer in numbers: RGB device values, through driver and inks, to the colour of the print.

The steps are those of a photo inkjet that is driven as an RGB device. The driver turns RGB into ink amounts
(with light inks and black), the ink spreads (dot gain), the dots overlap by chance (Demichel), and the mixture is
added up over Neugebauer's primaries with the Yule-Nielsen exponent, over sixteen bands of the spectrum:

    R(λ)^(1/n) = Σ_i w_i · R_i(λ)^(1/n)         (Yule and Nielsen 1951; Viggiano 1985)

Inks and papers are invented by whoever fills the dataclasses; nothing here imitates a product. The module knows
nothing of ICC profiles.
"""

import itertools
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from drydown.imaging.pcs import D50_XYZ, Floats, lab_from_xyz

#: Band centres in nm; CIE 1931 2° colour-matching functions x̄, ȳ, z̄ and CIE D50 at these (CIE 15:2004).
_OBSERVER: Final = np.array(
    [
        (400, 0.014310, 0.000396, 0.067850, 49.31),
        (420, 0.134380, 0.004000, 0.645600, 60.03),
        (440, 0.348280, 0.023000, 1.747060, 74.83),
        (460, 0.290800, 0.060000, 1.669200, 90.61),
        (480, 0.095640, 0.139020, 0.812950, 95.11),
        (500, 0.004900, 0.323000, 0.272000, 95.72),
        (520, 0.063270, 0.710000, 0.078250, 97.13),
        (540, 0.290400, 0.954000, 0.020300, 100.75),
        (560, 0.594500, 0.995000, 0.003900, 100.00),
        (580, 0.916300, 0.870000, 0.001650, 98.92),
        (600, 1.062200, 0.631000, 0.000800, 97.69),
        (620, 0.854450, 0.381000, 0.000190, 99.04),
        (640, 0.447900, 0.175000, 0.000020, 98.86),
        (660, 0.164900, 0.061000, 0.000000, 98.19),
        (680, 0.046770, 0.017000, 0.000000, 99.13),
        (700, 0.011359, 0.004102, 0.000000, 91.60),
    ]
)
BANDS_NM: Final = _OBSERVER[:, 0]
_UNSCALED: Final = _OBSERVER[:, 1:4] * _OBSERVER[:, 4:]
#: Reflectance (bands) times this gives XYZ. Scaled so that the perfect diffuser is the PCS white to the last digit.
XYZ_WEIGHTS: Final = _UNSCALED / _UNSCALED.sum(axis=0) * D50_XYZ


@dataclass(frozen=True, slots=True)
class Band:
    """One absorption band: a Gaussian of optical density over wavelength."""

    centre_nm: float
    width_nm: float  # standard deviation
    density: float


@dataclass(frozen=True, slots=True)
class Ink:
    """An ink's absorption at full strength: an even density and any number of bands."""

    bands: tuple[Band, ...] = ()
    even_density: float = 0.0

    def density(self) -> Floats:
        """Optical density (16,) at `BANDS_NM`."""
        total = np.full(BANDS_NM.shape, self.even_density)
        for band in self.bands:
            total += band.density * np.exp(-0.5 * ((BANDS_NM - band.centre_nm) / band.width_nm) ** 2)
        return total


@dataclass(frozen=True, slots=True, kw_only=True)
class InkSet:
    """The inks in the printer. `light_strength` is a light ink's density as a share of its full one; 0 = no light ink."""

    cyan: Ink
    magenta: Ink
    yellow: Ink
    black: Ink
    light_cyan_strength: float = 0.0
    light_magenta_strength: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Paper:
    """A bare sheet and how it takes ink."""

    reflectance: float  # of the coat, at long wavelengths
    blue_lift: float = 0.0  # what a brightener adds about 440 nm
    yellowing: float = 0.0  # what the coat swallows at short wavelengths
    surface: float = 0.005  # light sent back by the surface before it meets ink: it sets the deepest black
    dot_gain: float = 0.15  # added area at a half-covered dot
    n: float = 2.0  # Yule-Nielsen: how far light travels in the coat, 1 = not at all
    uptake: float = 1.0  # share of the ink's density that stays on top; matte coats swallow some

    def spectrum(self) -> Floats:
        """Reflectance (16,) of the coat without its surface."""
        lift = self.blue_lift * np.exp(-0.5 * ((BANDS_NM - 440) / 22) ** 2)
        fall = self.yellowing / (1 + np.exp((BANDS_NM - 415) / 9))
        return self.reflectance + lift - fall


@dataclass(frozen=True, slots=True, kw_only=True)
class Driver:
    """How RGB becomes ink amounts. Unequal sags make R=G=B what it is on real printers: not neutral."""

    sag: tuple[float, float, float] = (0.0, 0.0, 0.0)  # of cyan, magenta, yellow; 0 = straight, below 1
    limits: tuple[float, float, float] = (1.0, 1.0, 1.0)  # greatest amount of each
    black_limit: float = 0.9
    black_onset: float = 3.0  # the higher, the later black joins as all three inks rise


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedPrinter:
    """Inks on a paper through a driver; a forward model `device (N, 3) -> Lab (N, 3)`."""

    inks: InkSet
    paper: Paper
    driver: Driver
    _roots: Floats = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_roots", _roots(self.inks, self.paper))

    def lab(self, device: Floats) -> Floats:
        """Absolute CIELAB (N, 3) under D50 of the print of RGB device values (N, 3) in 0..1 (1, 1, 1 = bare paper)."""
        mixed, surface = self.reflectance(device), self.paper.surface
        return lab_from_xyz((surface + (1 - surface) * mixed) @ XYZ_WEIGHTS)

    def reflectance(self, device: Floats) -> Floats:
        """Reflectance (N, 16) of the inked coat at `BANDS_NM`, without the surface."""
        areas = _spread(
            _ink_areas(np.asarray(device, dtype=np.float64), self.driver, self.inks), self.paper.dot_gain
        )
        return np.asarray((_demichel(areas) @ self._roots) ** self.paper.n)


def _ink_areas(device: Floats, driver: Driver, inks: InkSet) -> Floats:
    """Covered areas (N, 6) asked of cyan, light cyan, magenta, light magenta, yellow, black."""
    asked = 1 - np.clip(device, 0, 1)
    # A parabola and not a power: the first ink has to come in at a finite rate, or highlights get a corner.
    amounts = asked * (1 - np.array(driver.sag) * (1 - asked))
    # The product of the three, not the least of them: the least would leave a crease along the greys.
    black = driver.black_limit * np.prod(amounts, axis=1) ** (driver.black_onset / 3)
    cyan, magenta, yellow = (amounts * np.array(driver.limits)).T
    full_c, light_c = _split(cyan, inks.light_cyan_strength)
    full_m, light_m = _split(magenta, inks.light_magenta_strength)
    return np.stack([full_c, light_c, full_m, light_m, yellow, black], axis=1)


def _split(amount: Floats, strength: float) -> tuple[Floats, Floats]:
    """An amount 0..1 shared between full and light ink: light alone at first, and gone again at the end."""
    if strength <= 0:
        return amount, np.zeros_like(amount)
    full = amount**2 * (1 + strength * (amount - 1))
    light = amount * (1 - amount) / (1 - strength / 2)
    return full, light


def _spread(areas: Floats, gain: float) -> Floats:
    """Dot gain as a parabola: `gain` more area at a half-covered dot, none at bare paper and at a solid."""
    return np.clip(areas + 4 * gain * areas * (1 - areas), 0, 1)


def _demichel(areas: Floats) -> Floats:
    """Share of the paper (N, P) under each combination of inks, in the order of `_roots`, dots falling independently (Demichel 1924)."""
    weights = np.ones((len(areas), 1))
    for area in areas.T[:, :, None]:
        split = np.empty((len(areas), 2 * weights.shape[1]))
        np.multiply(weights, 1 - area, out=split[:, 0::2])
        np.multiply(weights, area, out=split[:, 1::2])
        weights = split
    return weights


def _roots(inks: InkSet, paper: Paper) -> Floats:
    """Reflectance**(1/n) (P, 16) of every combination of inks, the last ink changing fastest; densities of inks add."""
    cyan, magenta = inks.cyan.density(), inks.magenta.density()
    densities = paper.uptake * np.stack(
        [
            cyan,
            cyan * inks.light_cyan_strength,
            magenta,
            magenta * inks.light_magenta_strength,
            inks.yellow.density(),
            inks.black.density(),
        ]
    )
    combinations = np.array(list(itertools.product((0.0, 1.0), repeat=6)))
    reflectance = paper.spectrum() * 10 ** -(combinations @ densities)
    return np.asarray(reflectance ** (1 / paper.n))
