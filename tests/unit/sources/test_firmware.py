from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

import soft_tactile_node
from devices.fake_device import ideal_counts
from soft_tactile_node.sources.deframing import Deframer
from soft_tactile_node.sources.frames import Frame, decode_frame, encode_frame
from soft_tactile_node.sources.tank import load_tank
from unit.sources.made import single
from unit.sources.test_frames import FULL, PUBLISHED, WORKED

FIRMWARE = Path(soft_tactile_node.__file__).parent / "firmware"
CC = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
STRICT = ["-std=c99", "-pedantic", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-O2"]

# Reads scans as words of 32 bits in hexadecimal, one a line, and writes their frames.
HARNESS = r"""
#include "soft_tactile_frame.h"
#include <stdio.h>
#include <string.h>

static uint32_t word(void) { unsigned long w = 0; return scanf("%lx", &w) == 1 ? (uint32_t)w : 0; }

static void words(void *to, unsigned n)
{
    unsigned i;
    for (i = 0; i < n; i++) {
        uint32_t w = word();
        memcpy((char *)to + 4 * i, &w, 4);
    }
}

int main(void)
{
    unsigned long count = word();
    while (count--) {
        uint8_t frame[SOFT_TACTILE_MAX_FRAME];
        uint32_t values[16], contents;
        float inductance[16], loss[16], pressure, temperature;
        soft_tactile_scan scan;
        size_t size, length;
        memset(&scan, 0, sizeof scan);
        size = word();
        scan.channels = (uint8_t)word();
        contents = word();
        scan.scan = word();
        scan.clock_us = word();
        words(values, scan.channels);
        memcpy(inductance, values, sizeof values);
        if (contents & 1u) scan.counts = values; else scan.inductance_h = inductance;
        if (contents & 2u) { words(loss, scan.channels); scan.loss_ohm = loss; }
        if (contents & 4u) { words(&pressure, 1); scan.pressure_pa = &pressure; }
        scan.pressure_is_absolute = (contents & 8u) != 0;
        if (contents & 16u) { words(&temperature, 1); scan.temperature_c = &temperature; }
        length = soft_tactile_encode(&scan, frame, size);
        fwrite(frame, 1, length, stdout);
        if (length == 0) fwrite("refused", 1, 8, stdout);
    }
    return soft_tactile_crc32((const uint8_t *)"123456789", 9) == 0xCBF43926u ? 0 : 1;
}
"""


@pytest.fixture(scope="module")
def sender(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Compile the reference sender with a small program around it."""
    if CC is None:
        pytest.skip("no C compiler here")
    folder = tmp_path_factory.mktemp("firmware")
    (folder / "harness.c").write_text(HARNESS)
    program = folder / "harness"
    sources = [folder / "harness.c", FIRMWARE / "soft_tactile_frame.c"]
    run = subprocess.run([CC, *STRICT, f"-I{FIRMWARE}", *sources, "-o", program], capture_output=True, text=True)
    assert run.returncode == 0, run.stderr
    return program


def bits(values: tuple[float, ...]) -> list[int]:
    """Return single-precision values as their bits."""
    return np.float32(values).view(np.uint32).tolist()


def send(sender: Path, frames: list[Frame], size: int = 154) -> bytes:
    """Return what the sender in C makes of frames; also checks the check value of its CRC."""
    words: list[int] = [len(frames)]
    for one in frames:
        contents = bool(one.counts) + 2 * bool(one.loss_ohm) + 4 * (one.pressure_pa == one.pressure_pa)
        contents += 8 * one.pressure_is_absolute + 16 * (one.temperature_c == one.temperature_c)
        words += [size, one.channels, contents, one.scan, one.clock_us]
        words += list(one.counts) or bits(one.inductance_h)
        words += bits(one.loss_ohm)
        words += bits((one.pressure_pa,)) if contents & 4 else []
        words += bits((one.temperature_c,)) if contents & 16 else []
    text = "\n".join(f"{word:x}" for word in words)
    return subprocess.run([sender], input=text.encode(), capture_output=True, check=True, timeout=60).stdout


def random_frame(rng: np.random.Generator) -> Frame:
    """Return a frame of any kind, its floats any finite bits."""
    channels = int(rng.integers(1, 17))

    def floats(count: int) -> tuple[float, ...]:
        drawn = rng.integers(0, 2**32, size=count, dtype=np.uint32).view(np.float32)
        return single(*np.where(np.isfinite(drawn), drawn, np.float32(0.0)))

    words = tuple(int(word) for word in rng.choice([0, 1, 256, 65536, 2**31, 2**32 - 1], size=channels))
    as_counts = bool(rng.integers(2))
    return Frame(
        scan=int(rng.integers(2**32)),
        clock_us=int(rng.integers(2**32)),
        inductance_h=() if as_counts else floats(channels),
        counts=words if as_counts else (),
        loss_ohm=floats(channels) if rng.integers(2) else (),
        pressure_pa=floats(1)[0] if rng.integers(2) else float("nan"),
        pressure_is_absolute=False,
        temperature_c=floats(1)[0] if rng.integers(2) else float("nan"),
    )


def test_sender_in_c_and_reader_agree_bit_for_bit(sender: Path) -> None:
    """Two thousand frames of every kind made in C are those made in Python, and are read back to the same bits."""
    rng = np.random.default_rng(7)
    frames = [WORKED, FULL, *(random_frame(rng) for _ in range(2000))]
    data = send(sender, frames)
    assert data == b"".join(encode_frame(one) for one in frames)
    # the first has values that single precision rounds; test_frames.py looks at it
    assert [repr(one) for one in Deframer().feed(data)[1:]] == [repr(one) for one in frames[1:]]


def test_sender_refuses_what_does_not_fit(sender: Path) -> None:
    """No frame is written where the buffer is a byte too small; one that just fits is."""
    length = len(encode_frame(WORKED))
    assert send(sender, [WORKED], size=length) == encode_frame(WORKED)
    assert send(sender, [WORKED], size=length - 1) == b"refused\0"


def test_example_compiles_and_needs_only_the_board(tmp_path: Path) -> None:
    """The example of a firmware compiles without a warning and calls nothing but the sender and the board."""
    if CC is None:
        pytest.skip("no C compiler here")
    for name in ("example_main", "soft_tactile_frame"):
        run = subprocess.run(
            [CC, *STRICT, "-ffreestanding", "-c", FIRMWARE / f"{name}.c", "-o", tmp_path / f"{name}.o"],
            capture_output=True, text=True,
        )  # fmt: skip
        assert run.returncode == 0, run.stderr
    text = (FIRMWARE / "soft_tactile_frame.c").read_text() + (FIRMWARE / "soft_tactile_frame.h").read_text()
    assert set(re.findall(r"#include <(.*)>", text)) == {"stdint.h", "stddef.h", "string.h"}
    assert not re.search(r"\b(malloc|double|printf)\b", text)


def test_page_of_the_layout_describes_a_tank(tmp_path: Path) -> None:
    """The description of a tank on the page is one that is understood."""
    block = re.search(r"^```yaml\n(.*?)^```", (FIRMWARE / "README.md").read_text(), re.MULTILINE | re.DOTALL)
    assert block is not None
    (tmp_path / "tank.yaml").write_text(block[1])
    tank = load_tank(tmp_path / "tank.yaml")
    assert tank.inductance(ideal_counts(tank, np.array([10e-6]))) == pytest.approx([10e-6], rel=1e-9)


def test_page_of_the_layout_shows_the_worked_example() -> None:
    """The bytes on the page are those of the code, and the published stuffing is what makes them."""
    page = (FIRMWARE / "README.md").read_text()
    line = re.search(r"^ +frame +([0-9A-F ]+)$", page, re.MULTILINE)
    assert line is not None
    assert bytes.fromhex(line[1]) == encode_frame(WORKED)
    assert decode_frame(bytes.fromhex(line[1])[:-1]) is not None
    assert PUBLISHED[0][1].startswith("02 45")
