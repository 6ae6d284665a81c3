"""What `replay` is asked for: its options, checked once, before minutes of work."""

from __future__ import annotations

import argparse
import math
import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Self

from coalminder.core import Config
from coalminder.errors import UserError
from coalminder.journal.store import SUFFIX
from coalminder.settings import load_settings
from coalminder.settings.quantities import bounds, temperature
from coalminder.settings.tending import LoopSection
from coalminder.units import Units, in_its_unit, units

_GAINS = ("kp", "ki", "kd")


@dataclass(frozen=True, slots=True)
class Request:
    """None: not asked for. gains: by name, those that shall be otherwise. config: of `config_file`.

    lower: the lower vent left by hand. warmer_k, wind_m_per_s: the weather outside. units: "" for those of
    the record.
    """

    records: tuple[Path, ...]
    gains: dict[str, float]
    set_point_c: float | None
    config_file: Path | None
    config: Config | None
    lower: float | None
    warmer_k: float | None
    wind_m_per_s: float | None
    fit: bool
    physical: bool
    tune: bool
    seed: int
    effort: int
    quiet: bool
    csv: Path | None
    parquet: Path | None
    report: Path | None
    toml: Path | None
    json: Path | None
    units: str

    @classmethod
    def of(cls, args: argparse.Namespace) -> Self:
        """UserError when one of the options cannot be met."""
        settings = None if args.config is None else load_settings(args.config)
        asked_units = args.units or ("" if settings is None else settings.page.units)
        shown = units(asked_units)
        typed = None if args.set_point is None else in_its_unit(args.set_point, shown)
        set_point_c = None if typed is None else temperature(typed, "--set-point")
        gains = {name: getattr(args, name) for name in _GAINS if getattr(args, name) is not None}
        config = None if settings is None else settings.core()
        weather = {"outside": args.outside, "wind": args.wind}
        _check_figures(
            {**gains, "set_point": set_point_c, "lower": args.lower, **weather, "effort": args.effort},
            config or Config(),
            shown,
        )
        if args.lower is not None and (gains or set_point_c is not None):
            raise UserError(
                "--lower leaves the vent by hand, so gains and set point do nothing; give one or the other"
            )
        if args.toml is not None and not args.tune:
            raise UserError(f"--toml {args.toml}: nothing is written without --tune; give that, too")
        toml = args.toml or (Path("tuned.toml") if args.tune else None)
        request = cls(
            records=tuple(args.records),
            gains=gains,
            set_point_c=set_point_c,
            config_file=args.config,
            config=config,
            lower=args.lower,
            warmer_k=args.outside,
            wind_m_per_s=args.wind,
            fit=args.fit,
            physical=args.physical,
            tune=args.tune,
            seed=args.seed,
            effort=args.effort,
            quiet=args.quiet,
            csv=args.csv,
            parquet=args.parquet,
            report=args.report,
            toml=toml,
            json=args.json,
            units=asked_units,
        )
        check_targets((*request.records, request.config_file), request.targets(("",)))
        return request

    def targets(self, names: Sequence[str]) -> list[Path]:
        """The files that will be written, for records of these names."""
        picture = None if self.report is None else self.report.with_suffix(".png")
        each = (self.csv, self.parquet, self.report, picture)
        of_each = [target_for(path, name, names) for path in each if path is not None for name in names]
        return [*of_each, *(path for path in (self.toml, self.json) if path is not None)]

    @property
    def sets(self) -> bool:
        """Whether the core shall have other settings than it had."""
        return bool(self.gains) or self.set_point_c is not None or self.config is not None

    def setting(self, recorded: Config) -> Config:
        """The settings to run again with, in place of `recorded`."""
        new = recorded if self.config is None else self.config
        new = replace(new, loop=replace(new.loop, **self.gains))
        return new if self.set_point_c is None else replace(new, set_point_c=self.set_point_c)

    def in_units_of(self, records: Iterable[str]) -> Self:
        """With the units of the first record that tells some, where none were asked for."""
        return replace(self, units=self.units or next(filter(None, records), ""))

    @property
    def shown(self) -> Units:
        """What the figures are shown in."""
        return units(self.units)

    @property
    def otherwise(self) -> str:
        """What shall be otherwise in the cook run again, in words; "" for nothing."""
        unit = self.shown
        words = [f"{name} {gain:g}" for name, gain in self.gains.items()]
        words += (
            [f"set point {unit.shown(self.set_point_c):g} {unit.temp}"]
            if self.set_point_c is not None
            else []
        )
        words += [f"settings of {self.config_file.name}"] if self.config_file is not None else []
        words += [f"lower vent at {self.lower:g}"] if self.lower is not None else []
        words += [f"{self.warmer_k:+g} K outside"] if self.warmer_k is not None else []
        words += [f"wind {self.wind_m_per_s:g} m/s"] if self.wind_m_per_s is not None else []
        return ", ".join(words)


def _check_figures(given: dict[str, float | None], config: Config, unit: Units) -> None:
    ranges: dict[str, tuple[float, float]] = {
        **{name: bounds(LoopSection, name) for name in _GAINS},
        "set_point": (config.least_set_point_c, config.highest_set_point_c),
        "lower": (0.0, 1.0),
        "outside": (-60.0, 60.0),
        "wind": (0.0, 25.0),
        "effort": (2, 100),
    }
    for name, value in given.items():
        low, high = ranges[name]
        if value is not None and not (math.isfinite(value) and low <= value <= high):
            shown: Callable[[float], float] = unit.shown if name == "set_point" else float
            raise UserError(
                f"--{name.replace('_', '-')} {shown(value):g} is outside {shown(low):g} to {shown(high):g}"
                f"{f' {unit.temp}' if name == 'set_point' else ''}; choose a value inside"
            )


def target_for(path: Path, name: str, names: Sequence[str]) -> Path:
    """The file of the record `name`, one of `names`: with several of them its name goes in."""
    return path if len(names) == 1 else path.with_name(f"{path.stem}-{name}{path.suffix}")


def check_targets(sources: Sequence[Path | None], targets: Sequence[Path]) -> None:
    """`targets` can be written: some are after minutes of work only. Nothing that is read here is written
    over, and no two things go into one file.
    """
    read = {path.resolve() for path in sources if path is not None}
    taken: set[Path] = set()
    for path in targets:
        if not path.parent.is_dir():
            why = f"there is no folder '{path.parent}'"
        elif path.is_dir():
            why = "it is a folder"
        elif not os.access(path if path.exists() else path.parent, os.W_OK):
            why = "no permission"
        elif path.resolve() in read:
            why = "it is read here, and would be lost"
        elif path.suffix.lower() == SUFFIX:
            why = f"'{SUFFIX}' is the ending of a record"
        elif path.resolve() in taken:
            why = "two things would go into it"
        else:
            taken.add(path.resolve())
            continue
        raise UserError(f"'{path}': cannot be written: {why}; choose another place")
