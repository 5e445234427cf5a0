"""Everything handed in for one field, read and checked, nothing computed.

In comes a folder with field.toml; out goes a `model.Field` on one metric system, with
notes on what was assumed, mended or is missing.
"""

from trafficmap.field.model import Field
from trafficmap.field.read import read_field

__all__ = ["Field", "read_field"]
