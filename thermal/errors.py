"""Errors raised by the thermal package; all carry a sentence a person can act on."""


class ThermalError(Exception):
    """Root of everything the thermal package raises on purpose."""


class UnitError(ThermalError):
    """A text that cannot be read as a number with a unit of the wanted kind."""


class ParameterError(ThermalError):
    """A parameter that is missing, unknown or impossible."""


class RangeError(ThermalError):
    """A value outside the range a law is valid for."""


class SolverError(ThermalError):
    """The integration could not go on."""
