"""The core: intake, boot, the one thread around the engine, acts, the driver's door."""

from kojimon.core.acts import BusyError, Moment, PendingAct, resolve_moments
from kojimon.core.intake import Gap, Intake, Taken

__all__ = ["BusyError", "Gap", "Intake", "Moment", "PendingAct", "Taken", "resolve_moments"]
