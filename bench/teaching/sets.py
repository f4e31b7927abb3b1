"""The sets of the teaching pictures that ship, by name."""

from __future__ import annotations

from bench.assets import asset
from bench.strict import read_toml

SETS = tuple(dict.fromkeys(one["set"] for one in read_toml(asset("scenes.toml"))["scene"]))
