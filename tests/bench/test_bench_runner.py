"""Running, keeping and taking up again; the command; the tables."""

import json
from dataclasses import replace
from pathlib import Path
from statistics import median

import pytest

from coalminder.bench import command, report
from coalminder.bench.ablate import VARIANTS, variants
from coalminder.bench.controllers import PEERS
from coalminder.bench.metrics import Score
from coalminder.bench.runner import Keep, Run, run
from coalminder.cli import main
from coalminder.core import Config

SIMC = {"simc": PEERS["simc"]}
SCORE = Score(
    in_band_frac=1.0, mae_c=1.0, peak_c=100.0, lowest_c=90.0, alive=True, died=False,
    travel=1.0, travel_all=2.0, fuel_kg=0.5, settled_s=600.0,
)  # fmt: skip


def made(controller: str, mae_c: float, seed: int = 0, **changes: float) -> Run:
    return Run("calm", seed, controller, replace(SCORE, mae_c=mae_c, **changes), ((), (), ()))  # type: ignore[arg-type]


def test_processes_change_nothing_but_the_time() -> None:
    alone = run(["calm", "tight"], SIMC, range(2), processes=1)
    together = run(["calm", "tight"], SIMC, range(2), processes=2)
    assert alone == together
    assert [item.key for item in alone] == [
        ("calm", 0, "simc"), ("calm", 1, "simc"), ("tight", 0, "simc"), ("tight", 1, "simc"),
    ]  # fmt: skip


def test_an_interrupted_bench_goes_on_where_it_was(tmp_path: Path) -> None:
    keep = Keep(tmp_path / "runs.jsonl", {"simc": "a", "hands": "a"})
    whole = run(["calm"], SIMC, range(2), keep=keep)
    text = keep.path.read_text()
    keep.path.write_text(text[: len(text) - 200])  # the last line is torn
    told: list[tuple[int, int]] = []
    again = run(["calm"], SIMC, range(2), keep=keep, progress=lambda done, total: told.append((done, total)))
    assert again == whole
    assert told == [(1, 2), (2, 2)]
    assert list(keep.found(["simc"]).values()) == whole, "the cook run again has a line of its own"


def test_kept_cooks_of_another_code_are_run_again(tmp_path: Path) -> None:
    path = tmp_path / "runs.jsonl"
    run(["calm"], SIMC, range(1), keep=Keep(path, {"simc": "old"}))
    assert not Keep(path, {"simc": "new"}).found(["simc"])
    assert Keep(path, {"simc": "old"}).found(["simc"])


def test_table_has_medians_and_worst_seeds() -> None:
    runs = [made("ours", mae, seed) for seed, mae in enumerate((1.0, 5.0, 2.0))] + [made("oracle", 1.6)]
    ours = report.lines(runs)[0]
    assert ours.mae_c == median((1.0, 5.0, 2.0))
    assert ours.mae_worst_c == 5.0
    assert ours.mae_to_oracle == pytest.approx(2.0 / 1.6)
    assert "| ours | 100.0 | 100.0 | 2.00 | 5.00 | 1.25 |" in report.markdown(report.lines(runs))


VERDICTS = [
    ({"in_band_frac": 0.94}, {"in_band_frac": 0.98}, False, True, 0),
    ({"in_band_frac": 0.94}, {"in_band_frac": 0.96}, True, True, 0),
    ({"peak_c": 122.0}, {}, True, False, 0),
    # an oracle over the ceiling is beaten by all who are less over it
    ({"peak_c": 122.0}, {"peak_c": 123.0}, True, True, 3),
]


@pytest.mark.parametrize(("ours", "oracle", "band", "ceiling", "beaten"), VERDICTS)
def test_verdict_keeps_to_the_bars(
    ours: dict[str, float], oracle: dict[str, float], band: bool, ceiling: bool, beaten: int
) -> None:
    runs = [made("ours", 1.4, **ours), made("oracle", 1.0, **oracle), made("simc", 2.0), made("zn", 1.8)]
    (found,) = report.verdicts(runs)
    assert (found.band_kept, found.ceiling_kept) == (band, ceiling)
    assert found.best_peer == "zn"
    assert found.mae_ratio == pytest.approx(1.4)
    assert found.excess_ratio == pytest.approx(0.5)
    assert found.oracle_beaten == beaten


@pytest.mark.parametrize("name", VARIANTS)
def test_every_variant_differs_from_the_whole(name: str) -> None:
    assert VARIANTS[name](Config()) != Config()
    assert name in variants()


def test_command_writes_tables_and_a_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [
        "bench",
        "--scenarios",
        "calm",
        "--controllers",
        "simc,hands",
        "--seeds",
        "1",
        "--out",
        str(tmp_path),
    ]
    assert main([*words, "--processes", "1"]) == 0
    assert "### calm (`calm`, 1 seeds)" in capsys.readouterr().out
    table = json.loads((tmp_path / "table.json").read_text())
    assert [line["controller"] for line in table["lines"]] == ["simc", "hands"]
    assert (tmp_path / "calm.png").read_bytes().startswith(b"\x89PNG")
    assert main([*words, "--resume"]) == 0


MISTAKES = [
    (["--scenarios", "clam"], "calm"),
    (["--scenarios", ","], "names nothing"),
    (["--controllers", "pid"], "simc"),
    (["--seeds", "0"], "1 or more"),
    (["--processes", "0"], "1 or more"),
    (["--resume"], "--out"),
    (["oracle", "--against", "/proc/nonexistent"], "--out"),
]


@pytest.mark.parametrize(("words", "hint"), MISTAKES, ids=[" ".join(words) for words, _ in MISTAKES])
def test_mistakes_get_one_line_and_code_2(
    words: list[str], hint: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["bench", *words]) == 2
    told = capsys.readouterr().err.strip()
    assert "\n" not in told
    assert hint in told


def test_stamp_tells_ours_from_the_peers() -> None:
    assert command.stamp("simc") == command.stamp("zn")
    assert command.stamp("simc") != command.stamp("ours")
