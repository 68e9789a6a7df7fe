"""Errors a user can meet: one line each, saying what, where and what to do."""


class SoftTactileError(Exception):
    """Base of every error this package raises on purpose."""


class ShapeError(SoftTactileError, ValueError):
    """An array has the wrong shape."""


class RangeError(SoftTactileError, ValueError):
    """A value is not finite or outside its allowed range."""


class RecordingError(SoftTactileError, ValueError):
    """A recording, truth, estimate or event file cannot be read; names file, row and column."""


class CalibrationError(SoftTactileError, ValueError):
    """A calibration cannot be made, read or used; says the reason and what to do."""


class NotAtRestError(SoftTactileError, RuntimeError):
    """A tare was asked for while the finger was pressurised, moving or touching."""


class StudyError(SoftTactileError, ValueError):
    """A design study cannot be read or computed; names the key, what it must be and what it is."""


class SourceError(SoftTactileError, RuntimeError):
    """A source of scans cannot be named, opened or read; says which, why and what to do."""


class SensorLostError(SoftTactileError, RuntimeError):
    """The sensor of a finger has died or fallen silent while it was needed; names the finger and why."""


class NoAnswerError(SoftTactileError, TimeoutError):
    """Something that was awaited did not come in time; says what was missing and what to do."""


class SpecimenError(SoftTactileError, ValueError):
    """Specimens to be characterised cannot be found or read; names the file, what it must be and what to do."""
