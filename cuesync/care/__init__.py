"""What can hurt people: flashes, noise, and what holds for every prop. It informs; local codes decide."""

from cuesync.care.cautions import plan_cautions
from cuesync.care.flash import flashes_in_any_second
from cuesync.care.standing import FLASH_NOTICE, NO_EMERGENCY_STOP, STANDING

__all__ = [
    "FLASH_NOTICE",
    "NO_EMERGENCY_STOP",
    "STANDING",
    "flashes_in_any_second",
    "plan_cautions",
]
