"""What it takes to run a layout. In: schedule, place, drivers with circuits. Out: hours a year; watts, by place."""

from .nights import Nights, count_nights
from .watts import Watts, output_watts

__all__ = ["Nights", "Watts", "count_nights", "output_watts"]
