"""The core: intake, boot, the one thread around the engine, acts, the driver's door."""

from kojimon.core.acts import BusyError, Moment, PendingAct, Reply, resolve_moments
from kojimon.core.intake import Gap, Intake, Note, Taken

__all__ = ["BusyError", "Gap", "Intake", "Moment", "Note", "PendingAct", "Reply", "Taken", "resolve_moments"]
