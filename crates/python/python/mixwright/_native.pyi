"""The compiled half of the package: what ``mixwright`` exports, with types."""

from collections.abc import Callable, Sequence
from os import PathLike
from pathlib import Path
from typing import Any, TypeAlias, final

import numpy as np
from numpy.typing import ArrayLike, NDArray

_Path: TypeAlias = str | PathLike[str]
_Progress: TypeAlias = Callable[[str, int, int], object]
# columns by name: numpy arrays of shape (n,), lists of str for texts
_Table: TypeAlias = dict[str, Any]

__all__ = [
    "Design",
    "Model",
    "Part",
    "Review",
    "Setup",
    "Termination",
    "TerminationStudy",
    "__version__",
    "chain",
    "new_key",
    "open_design",
    "open_model",
    "set_threads",
    "spur_intervals",
    "use_cache",
    "write_demo",
]

__version__: str

@final
class Review:
    """The numbers of a mixer with their conditions and quality."""

    @property
    def design(self) -> str: ...
    @property
    def about(self) -> str: ...
    @property
    def sections(self) -> list[str]: ...
    @property
    def requirements_met(self) -> bool: ...
    def summary(self) -> _Table:
        """Headline numbers: key, measure, value, unit, is_bound, numeric_band, low, high, conditions."""
    def verdicts(self) -> _Table:
        """Requirements: key, side, limit, unit, band_from_hz, band_to_hz, status, worst, worst_rf_hz, margin, why."""
    def readings(self, *, section: str | None = None, key: str | None = None) -> _Table:
        """Every reading of the review, one a row; the columns are those of the CSV file."""
    def spurs(self, *, section: str | None = None) -> _Table:
        """Levels of products: section, input, m (signal), n (LO), sign, frequency_hz, level_dbc, claimed, …"""
    def reflections(self) -> _Table:
        """Points of the Smith displays: section, locus, reference_ohm, frequency_hz, reflection (complex)."""
    def waveforms(self) -> _Table:
        """One LO period at every junction: junction, time_s, voltage_v, current_a, total_current_a."""
    def findings(self) -> _Table:
        """Remarks: severity, place, text."""
    def to_json(self) -> str: ...
    def to_html(self) -> str: ...
    def to_text(self) -> str: ...
    def write(self, *, folder: _Path, name: str = "review") -> list[Path]:
        """Writes page, JSON, CSV, text and pictures; gives their paths, the page first."""

@final
class Design:
    """A design file, read and checked."""

    @property
    def name(self) -> str: ...
    @property
    def seats(self) -> list[str]: ...
    def review(self, *, fabrication_bands: bool = False, progress: _Progress | None = None) -> Review: ...
    def model(self, *, progress: _Progress | None = None) -> Model:
        """The model of the design, without a package."""
    def pack(
        self,
        *,
        path: _Path,
        maker: str = "",
        revision: str = "1",
        key_path: _Path | None = None,
        temperature_k: tuple[float, float] | None = None,
        signal_dbm_max: float | None = None,
        reflection_max: float = 1.0,
        refuse_outside: bool = False,
        hide_names: bool = False,
        hide_requirements: bool = False,
        withhold_noise: bool = False,
        watermark: str | None = None,
        expires: str | None = None,
        expiry_text: str | None = None,
        measured_paths: Sequence[_Path] = ...,
        challenge_points: int = 24,
        progress: _Progress | None = None,
    ) -> Model:
        """Writes a model package and opens it."""

@final
class Part:
    """One part at a connector of a model."""

    @staticmethod
    def line(
        *,
        length_m: float,
        permittivity: float = 1.0,
        impedance_ohm: float | None = None,
        attenuation_db_per_m: float | None = None,
        attenuation_at_hz: float | None = None,
    ) -> Part: ...
    @staticmethod
    def pad(*, loss_db: float) -> Part: ...
    @staticmethod
    def series(
        *, resistance_ohm: float | None = None, inductance_h: float | None = None, capacitance_f: float | None = None
    ) -> Part: ...
    @staticmethod
    def shunt(
        *, resistance_ohm: float | None = None, inductance_h: float | None = None, capacitance_f: float | None = None
    ) -> Part: ...
    @staticmethod
    def file(
        *, path: _Path, swapped: bool = False, lenient: bool = False, continuation: str | None = None
    ) -> Part: ...
    @staticmethod
    def reflection(
        *,
        at: str | None = None,
        band_hz: tuple[float, float] | None = None,
        magnitude: float = 1.0,
        phase_deg: float = 0.0,
    ) -> Part: ...
    @staticmethod
    def filter(*, pass_hz: tuple[float, float], magnitude: float = 1.0, phase_deg: float = 0.0) -> Part: ...

@final
class Termination:
    """A reflection to be swept: at a line of the spectrum (``rf``, ``if``, ``image``, ``sum``, ``lo``, ``2lo``, ``3lo``,
    ``4lo``) or at given frequencies, directly at the connector ``lo``, ``rf`` or ``if``."""

    def __new__(
        cls, *, port: str, gamma: ArrayLike, at: str | None = None, frequency_hz: ArrayLike | None = None
    ) -> Termination: ...

@final
class Setup:
    """A model and what stands around it."""

    @property
    def name(self) -> str: ...
    def to_toml(self) -> str:
        """The file that ``mixwright surround`` reads."""
    def findings(self) -> _Table: ...
    def review(self, *, progress: _Progress | None = None) -> Review:
        """The maker's report with the parts in place."""
    def sweep(
        self,
        *,
        rf_hz: ArrayLike | None = None,
        lo_hz: ArrayLike | None = None,
        lo_dbm: ArrayLike | None = None,
        signal_dbm: ArrayLike | None = None,
        terminations: Sequence[Termination] = ...,
        direction: str = "down",
        noise: bool = False,
        band: bool = False,
        products: Sequence[tuple[int, int]] = ...,
        lo_order: int = 16,
        progress: _Progress | None = None,
    ) -> _Table:
        """Numbers for many cases; each argument has one value or as many as the others.

        ``products`` are pairs (order in the LO, order in the signal), signed; they need ``signal_dbm``.
        """
    def reflection(self, *, port: str, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """What the model sees at a connector, shape (n,)."""
    def scattering(self, *, frequency_hz: ArrayLike) -> NDArray[np.complex128]:
        """Passive network with its parts, shape (n, ports, ports): LO, RF, IF, then the junctions."""

@final
class TerminationStudy:
    """What passive terminations can do to a model."""

    def exact(self) -> _Table: ...
    def envelopes(self) -> _Table: ...
    @property
    def report(self) -> Review: ...
    def findings(self) -> _Table: ...

@final
class Model:
    """The three-port nonlinear model of a mixer."""

    @property
    def name(self) -> str: ...
    @property
    def about(self) -> str: ...
    @property
    def maker(self) -> str: ...
    @property
    def revision(self) -> str: ...
    @property
    def fingerprint(self) -> str | None: ...
    @property
    def signature(self) -> str | None: ...
    @property
    def is_suspicious(self) -> bool: ...
    @property
    def temperature_k(self) -> float: ...
    @property
    def terminations_in_words(self) -> str: ...
    @property
    def diodes(self) -> list[str]: ...
    @property
    def refuses_outside(self) -> bool: ...
    def uses(self) -> _Table: ...
    def region(self) -> _Table: ...
    def told(self) -> _Table: ...
    def provenance(self) -> _Table: ...
    def challenge(self) -> _Table: ...
    def reproduce(self, *, progress: _Progress | None = None) -> dict[str, Any]: ...
    def review(self, *, progress: _Progress | None = None) -> Review: ...
    def surround(
        self,
        *,
        name: str = "set-up",
        lo: Sequence[Part] = ...,
        rf: Sequence[Part] = ...,
        if_: Sequence[Part] = ...,
        end_lo_ohm: float | None = None,
        end_rf_ohm: float | None = None,
        end_if_ohm: float | None = None,
        use_of: str | None = None,
        lo_hz: float | None = None,
        lo_dbm: float | None = None,
        rf_hz: tuple[float, float] | None = None,
        signal_dbm: float | None = None,
        direction: str | None = None,
        temperature_k: float | None = None,
        anchors: int | None = None,
        points: int | None = None,
        lo_harmonics: Sequence[tuple[int, float, float]] = ...,
        lo_am_noise_dbc_per_hz: float | None = None,
    ) -> Setup:
        """Parts from the model outwards, and what is computed; ``lo_harmonics`` are (order, dBc, degree)."""
    def surround_from_file(self, *, path: _Path) -> Setup: ...
    def sweep(
        self,
        *,
        rf_hz: ArrayLike | None = None,
        lo_hz: ArrayLike | None = None,
        lo_dbm: ArrayLike | None = None,
        signal_dbm: ArrayLike | None = None,
        terminations: Sequence[Termination] = ...,
        direction: str = "down",
        noise: bool = False,
        band: bool = False,
        products: Sequence[tuple[int, int]] = ...,
        lo_order: int = 16,
        progress: _Progress | None = None,
    ) -> _Table: ...
    def terminations(
        self,
        *,
        reflection: float = 0.9,
        points: int = 3,
        checks: int = 100,
        length_max_m: float = 0.01,
        permittivity: float = 1.0,
        filter_magnitude: float = 0.95,
        filter_phase_deg: float = 0.0,
        limit_db: float | None = None,
        progress: _Progress | None = None,
    ) -> TerminationStudy: ...
    def spur_intervals(
        self,
        *,
        following_lo: bool = False,
        without_levels: bool = False,
        orders: int | None = None,
        progress: _Progress | None = None,
    ) -> list[tuple[str, _Table]]: ...
    def scattering(self, *, frequency_hz: ArrayLike) -> NDArray[np.complex128]: ...

def open_design(*, path: _Path) -> Design: ...
def open_model(*, path: _Path, trusted_key_path: _Path | None = None) -> Model: ...
def write_demo(*, folder: _Path) -> Path: ...
def new_key(*, path: _Path, maker: str) -> Path: ...
def set_threads(*, count: int) -> None: ...
def use_cache(*, folder: _Path | None) -> None: ...
def spur_intervals(
    *, input_hz: tuple[int, int], lo_hz: int | tuple[int, int], output_hz: tuple[int, int], orders: int = 5
) -> _Table: ...
def chain(*, path: _Path, progress: _Progress | None = None) -> _Table: ...
