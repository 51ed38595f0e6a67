"""From canonical records to the frames that the checks see."""

from auditor.prepare.frames import Prepared, Records
from auditor.prepare.prepare import prepare
from auditor.prepare.specs import Frames

__all__ = ["Frames", "Prepared", "Records", "prepare"]
