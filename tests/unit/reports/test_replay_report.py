"""The report of a replay: its first words, its flags, its size."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from soft_tactile_node.recordings import EstimateTable, Recording
from soft_tactile_node.reports.replay_report import build_replay_page
from soft_tactile_node.reports.split_signals import Replayed, SplitSignals
from soft_tactile_node.samples import Array, ContactEvent, EventKind, Flag
from unit.characterisation.items import shipped

ROWS = 1000


def made(
    force_n: Array | float = 0.5, flags: Array | int = 0, events: tuple[ContactEvent, ...] = (), channels: int = 4,
    rows: int = ROWS,
) -> Replayed:  # fmt: skip
    """Return a replay of so many rows at 100 Hz, the first second of it a tare, from an epoch far away."""
    time_s = 1.7e9 + np.arange(rows) / 100.0
    taring = np.arange(rows) < 100
    force = np.where(taring, np.nan, force_n)
    signal = np.random.default_rng(1).normal(0.0, 1e-3, (rows, channels))
    return Replayed(
        Recording(time_s, np.full(rows, 2e4), np.full((rows, channels), 8e-6), np.full(rows, 20.0), source="made.csv"),
        EstimateTable(
            time_s, force_n=np.column_stack([np.full(rows, np.nan)] * 2 + [force]),
            force_variance_n2=np.full((rows, 3), 1e-4), flags=np.where(taring, int(Flag.TARE), flags),
        ),
        events,
        SplitSignals(time_s - time_s[0], signal, signal, 0.0 * signal, 0.0 * signal),
    )  # fmt: skip


def summary(run: Replayed) -> list[str]:
    """Return the points of the summary."""
    return build_replay_page(shipped(), run)._sections[0].points


@pytest.mark.parametrize(
    ("run", "words"),
    [
        (made(), "No flag asks for care. No truth was given"),
        (made(flags=int(Flag.MOTION)), "No flag asks for care."),
        (
            made(flags=np.where(np.arange(ROWS) < 250, int(Flag.SPIKE), 0)),
            "Read with care: flags ask for it in 15 % of",
        ),
        (made(force_n=np.nan), "No force was estimated."),
    ],
)
def test_the_first_words_say_whether_it_can_be_used(run: Replayed, words: str) -> None:
    """Flags that ask for care are told with their share; taring and motion ask for none."""
    assert summary(run)[0].startswith(words)


def test_flags_are_told_in_words_with_their_share() -> None:
    """A flag has a row with its scans, its share and its first time; one that asks for care is in the summary, too."""
    run = made(flags=np.where(np.arange(ROWS) >= 800, int(Flag.OUT_OF_RANGE), 0))
    page = build_replay_page(shipped(), run)
    (flags,) = (section for section in page._sections if section.heading == "Flags")
    rows = {row[0]: row[1:4] for row in flags.rows}
    assert rows == {"OUT_OF_RANGE": ["200", "20", "8.00"], "TARE": ["100", "10", "0.00"]}
    assert any(point.startswith("20 % of the scans: beyond the calibrated range") for point in summary(run))


def test_times_count_from_the_first_scan() -> None:
    """Stamps of an epoch are shown as seconds since the beginning, in plots, events and words alike."""
    event = ContactEvent(1.7e9 + 4.5, 1.7e9 + 4.4, EventKind.FAULT, 0, np.full(3, np.nan), 0.0, detail="coil 2 open")
    run = made(events=(event,))
    page = build_replay_page(shipped(), run)
    assert page._sections[-1].rows == [["4.500", "coil 2 open", "", "4.400", "", "0.00"]]
    assert "Fault at 4.50 s: coil 2 open." in summary(run)
    plot = page._sections[3].entries[0].plot
    assert max(np.nanmax(curve.data_source.data["x"]) for curve in plot.renderers) < 10.0


def test_the_known_share_leaves_the_tare_out() -> None:
    """What cannot be known yet does not count as unknown."""
    force = np.where(np.arange(ROWS) < 550, 0.5, np.nan)
    assert "After the tare the normal force is known in 50.0 % of the scans." in summary(made(force_n=force))


def test_only_what_is_observed_is_drawn() -> None:
    """One coil tells no shear: there is one plot of force."""
    html = build_replay_page(shipped(), made(channels=1)).render()
    assert re.findall(r"<figcaption>(.*?), . of the pad", html) == ["Normal force"]


def test_sixteen_channels_and_many_events_stay_small() -> None:
    """A page of an hour at 100 Hz with sixteen channels is below 6 MB; the list of events is cut and says so."""
    touch = ContactEvent(1.7e9 + 5.0, np.nan, EventKind.CONTACT, 1, np.ones(3), 1.0)
    run = made(channels=16, rows=360_000, events=tuple(replace(touch, contact_id=k) for k in range(900)))
    html = build_replay_page(shipped(), run).render()
    assert len(html) < 6e6
    assert "900 events, of which the first 500 are listed." in html
