from __future__ import annotations

import math
import struct
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from builtin_interfaces.msg import Time
from geometry_msgs.msg import WrenchStamped
from numpy.testing import assert_allclose
from rclpy.serialization import deserialize_message, serialize_message
from soft_tactile_msgs.msg import CoilReadings, ContactEvent, PadEstimate, PressureCommand
from std_msgs.msg import Header

from soft_tactile_node import samples
from soft_tactile_node.errors import RangeError, ShapeError
from soft_tactile_node.grasp.pressure_lease import PressureRequest
from soft_tactile_node.physics.kinematics import pad_pose, wrench_transfer_matrix
from soft_tactile_node.ros.wire import conversions, written
from soft_tactile_node.ros.wire.coil_bytes import read_coils
from soft_tactile_node.ros.wire.diagnostics import (
    ERROR,
    FLAG_LEVELS,
    OK,
    WARN,
    FingerHealth,
    StreamCounters,
    level_of_flags,
)
from soft_tactile_node.ros.wire.written import WrittenMessage

NAN = float("nan")


def estimate(**changes: object) -> samples.Estimate:
    """Return an estimate with a force on all axes, or with the given fields."""
    split = np.zeros(4, samples.PARTS)
    for k, part in enumerate(samples.PARTS.names or ()):
        split[part] = np.arange(4) + 10.0 * (k + 1)
    parts = samples.ChannelParts(np.arange(4.0), split)
    fields: dict[str, object] = {
        "time_s": 12.5,
        "force_n": np.array([0.1, -0.2, 3.0]),
        "force_variance_n2": np.array([0.04, 0.05, 0.09]),
        "contact_probability": 0.9,
        "in_contact": True,
        "contact_id": 7,
        "slip_probability": 0.25,
        "friction_use": 0.5,
        "bend_rad": 0.4,
        "bend_variance_rad2": 1e-4,
        "bend_fraction": 0.6,
        "pressure_pa": 21e3,
        "flags": samples.Flag.OVERLOAD | samples.Flag.MOTION,
        "state": samples.State.CONTACT,
        "parts": parts,
    }
    return samples.Estimate(**{**fields, **changes})  # type: ignore[arg-type]


def sent_estimate(given: samples.Estimate, calibration_id: str) -> PadEstimate:
    """Return what a listener gets of an estimate in the pad frame."""
    out = WrittenMessage(PadEstimate())
    conversions.write_estimate(out, given, *conversions.wrench_of(given), calibration_id)
    return deserialize_message(out.stamped(Time()), PadEstimate)


def filled(message: Any, rng: np.random.Generator) -> Any:
    """Return a message with something else in each field but the header."""
    makers = {
        "double": rng.normal, "boolean": lambda: bool(rng.integers(2)), "uint8": lambda: int(rng.integers(256)),
        "uint32": lambda: int(rng.integers(2**32)), "uint64": lambda: int(rng.integers(2**63)),
    }  # fmt: skip
    for name, kind in message.get_fields_and_field_types().items():
        plain, _, count = kind.partition("[")
        if name == "header":
            continue
        if plain not in makers:
            setattr(message, name, filled(getattr(message, name), rng))
        else:
            setattr(message, name, [makers[plain]() for _ in range(int(count[:-1]))] if count else makers[plain]())
    return message


def numbers_of(message: Any) -> list[float]:
    """Return all numbers in a message, in order."""
    if not hasattr(message, "get_fields_and_field_types"):
        return [float(value) for value in np.ravel(message)]
    return [value for name in message.get_fields_and_field_types() for value in numbers_of(getattr(message, name))]


class TestWritten:
    """Messages written as bytes, against the middleware's own reading of them."""

    @pytest.mark.parametrize("kind", [PadEstimate, WrenchStamped])
    @pytest.mark.parametrize("frame", ["", *("finger_pad_of_the_left"[:length] for length in range(1, 22, 3))])
    def test_every_number_arrives_in_its_field(self, kind: type, frame: str) -> None:
        """Whatever the frame is called, each number that is written stands in its field, beside frame and stamp."""
        wanted = filled(kind(header=Header(frame_id=frame)), np.random.default_rng(len(frame)))
        out = WrittenMessage(kind(header=Header(frame_id=frame)))
        for name in out.fields.dtype.names:
            out.fields[name] = numbers_of(getattr(wanted, name)) if out.fields[name].shape else getattr(wanted, name)
        wanted.header.stamp = Time(sec=7, nanosec=8)
        assert deserialize_message(out.stamped(wanted.header.stamp), kind) == wanted

    def test_another_layout_is_refused(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A middleware that packs numbers without alignment is named, and nothing is written in the wrong place."""
        monkeypatch.setattr(written, "serialize_message", lambda message: serialize_message(message)[:-1])
        with pytest.raises(RuntimeError, match=r"PadEstimate must be sent as plain CDR of 444 bytes; .* makes 443 "):
            WrittenMessage(PadEstimate())


class TestPressure:
    """Absolute in messages, gauge inside."""

    def test_gauge_and_absolute_are_each_others_inverse(self) -> None:
        """1 bar above a vented line at 99 kPa is 199 kPa absolute, and back."""
        assert conversions.gauge_to_absolute(100e3, 99e3) == 199e3
        assert conversions.absolute_to_gauge(199e3, 99e3) == 100e3
        message = conversions.pressure_message(100e3, 99e3, Time(sec=3), "finger_pad")
        assert message.fluid_pressure == 199e3
        assert (message.header.stamp.sec, message.header.frame_id) == (3, "finger_pad")

    def test_a_command_is_as_old_as_its_stamp_says(self) -> None:
        """The age of a command is that of its stamp on the valve's clock; without a stamp or such a clock it is 0."""
        message = PressureCommand(owner="/a", sequence=3, pressure=2e4, lease=0.5, simulated=True)
        assert conversions.request_from_message(message, 9 * 10**9) == PressureRequest(
            "/a", 3, 2e4, 0.5, 0.0, simulated=True
        )
        message.header.stamp.sec = 7
        assert conversions.request_from_message(message, 9 * 10**9).age_s == 2.0
        assert conversions.request_from_message(message, None).age_s == 0.0

    @pytest.mark.parametrize("reading", [49_999.0, 0.0, -2e3])
    def test_what_can_only_be_gauge_is_refused(self, reading: float) -> None:
        """A vented reading below 50 kPa is refused with the way out."""
        with pytest.raises(RangeError, match="looks like gauge pressure; set pressure_reference: gauge"):
            conversions.check_absolute(reading, "vented pressure")

    @pytest.mark.parametrize("reading", [NAN, math.inf])
    def test_what_is_no_number_is_refused(self, reading: float) -> None:
        """NaN passes no check."""
        with pytest.raises(RangeError, match="must be a finite absolute pressure"):
            conversions.check_absolute(reading, "pressure")

    def test_the_weather_on_earth_passes(self) -> None:
        """A bench 5,000 m up and the highest pressure ever reported are taken.

        54.0 kPa: ISO 2533 at 5,000 m; 108.5 kPa: World Meteorological Organization's record, reduced to sea level
        (both from memory).
        """
        for reading in (54.0e3, 108.5e3):
            assert conversions.check_absolute(reading, "vented pressure") == reading


class TestStamps:
    """Seconds and nanoseconds."""

    @pytest.mark.parametrize("stamp", [Time(sec=0, nanosec=1), Time(sec=1_795_000_000, nanosec=999_999_744)])
    def test_round_trip_is_exact_to_the_float(self, stamp: Time) -> None:
        """A stamp survives the way to seconds and back to within the spacing of doubles (0.24 us at today's epoch)."""
        back = conversions.seconds_to_stamp(conversions.stamp_to_seconds(stamp))
        assert abs((back.sec - stamp.sec) * 10**9 + back.nanosec - stamp.nanosec) <= 240

    def test_nanoseconds_never_reach_a_second(self) -> None:
        """Rounding up carries over into the seconds."""
        stamp = conversions.seconds_to_stamp(1.9999999999)
        assert (stamp.sec, stamp.nanosec) == (2, 0)

    def test_not_known_is_zero(self) -> None:
        """NaN becomes the stamp 0, which the message calls not estimated."""
        assert conversions.seconds_to_stamp(NAN) == Time()


class TestScans:
    """Coil messages."""

    def test_round_trip(self) -> None:
        """A scan survives the way through a message, NaN and loss included."""
        scan = samples.Scan(2.25, np.array([1e-6, NAN]), 21.5, np.array([0.5, 0.6]))
        message = conversions.scan_to_message(scan, 2**32 + 5, Time(sec=2, nanosec=250_000_000), "finger_pad")
        assert message.scan == 5
        back = read_coils(serialize_message(message)).scan
        assert back.time_s == 2.25
        assert_allclose(back.inductance_h, scan.inductance_h, rtol=0, atol=0)
        assert_allclose(back.loss_ohm, scan.loss_ohm, rtol=0, atol=0)
        assert back.temperature_c == 21.5

    @pytest.mark.parametrize("channels", [1, 4, 16])
    @pytest.mark.parametrize("frame", ["", "f", "finger", "finger_pad", "left_finger_pad"])
    @pytest.mark.parametrize(("with_loss", "with_offset"), [(False, False), (True, False), (False, True), (True, True)])
    def test_what_the_middleware_wrote_is_read(
        self, channels: int, frame: str, with_loss: bool, with_offset: bool
    ) -> None:
        """Each number arrives from where the middleware puts it, whatever is empty and however long the frame is."""
        rng = np.random.default_rng(channels)
        loss, offset = (rng.normal(size=channels * there) for there in (with_loss, with_offset))
        message = CoilReadings(scan=4_000_000_001, inductance=rng.normal(size=channels).tolist(), temperature=21.5)
        message.loss, message.offset = loss.tolist(), offset.tolist()
        message.header = Header(stamp=Time(sec=7, nanosec=500_000_000), frame_id=frame)
        scan, number, stamp = read_coils(serialize_message(message))
        assert (number, stamp, scan.temperature_c) == (4_000_000_001, message.header.stamp, 21.5)
        assert scan.inductance_h.tolist() == list(message.inductance)
        assert scan.loss_ohm is None if not with_loss else list(scan.loss_ohm) == list(message.loss)
        assert scan.time_s == 7.5 + (offset.mean() if with_offset else 0.0)

    def test_the_other_order_of_bytes_is_read(self) -> None:
        """A sender with the highest byte first, as the encoding in front tells, says the same; written out by hand."""
        data = struct.pack(">BBHiII4sII2dIId", 0, 0, 0, 7, 0, 4, b"pad\0", 5, 2, 1e-6, 2e-6, 0, 0, 21.5)
        scan, number, stamp = read_coils(data)
        assert (number, stamp.sec, scan.temperature_c) == (5, 7, 21.5)
        assert scan.inductance_h.tolist() == [1e-6, 2e-6]

    @pytest.mark.parametrize("spoil", [lambda data: data[:51], lambda data: b"\0\7" + data[2:], lambda _: b""])
    def test_bytes_of_another_encoding_are_refused(self, spoil: Callable[[bytes], bytes]) -> None:
        """A message cut short or in another encoding is refused in one line, and says what to do."""
        data = serialize_message(CoilReadings(inductance=[1e-6]))
        with pytest.raises(ShapeError, match=r"must be sent as plain CDR; .* use the same messages and middleware"):
            read_coils(spoil(data))

    def test_multiplexed_channels_count_at_their_mean_time(self) -> None:
        """Offsets after the stamp move the scan to the middle of its channels."""
        message = CoilReadings(inductance=[1e-6, 2e-6], offset=[0.0, 1e-3], temperature=NAN)
        assert read_coils(serialize_message(message)).scan.time_s == 0.5e-3

    @pytest.mark.parametrize(
        ("message", "said"),
        [
            (CoilReadings(), "inductance must be of 1 to 16 channels; got 0"),
            (CoilReadings(inductance=[1e-6] * 17), "inductance must be of 1 to 16 channels; got 17"),
            (CoilReadings(inductance=[1e-6] * 2, loss=[0.1]), "loss must be empty or of 2 channels; got 1"),
            (CoilReadings(inductance=[1e-6] * 2, offset=[0.1] * 3), "offset must be empty or of 2 channels; got 3"),
        ],
    )
    def test_refuses_what_does_not_fit(self, message: CoilReadings, said: str) -> None:
        """Arrays of other lengths are refused, by name."""
        with pytest.raises(ShapeError, match=said):
            read_coils(serialize_message(message))


class TestEstimates:
    """Estimates as messages."""

    def test_every_field_arrives(self) -> None:
        """Each field of the estimate stands in the message, in its unit."""
        given = estimate()
        message = sent_estimate(given, "abc")
        force = message.wrench.force
        assert (force.x, force.y, force.z) == (0.1, -0.2, 3.0)
        assert (message.wrench.torque.x, message.wrench.torque.z) == (0.0, 0.0)
        square = np.array(message.covariance).reshape(6, 6)
        # by hand: a touch that is 4 mm off in x and y, standard deviation, has its force times that as torque
        torque = np.array([0.09 + 9.09, 0.05 + 9.09, 0.05 + 0.09]) * 0.004**2
        assert_allclose(square, np.diag([0.04, 0.05, 0.09, *torque]), rtol=1e-12, atol=0)
        assert list(message.observed) == [True] * 6
        assert (message.contact_probability, message.slip_probability, message.friction_use) == (0.9, 0.25, 0.5)
        assert (message.in_contact, message.contact_id, message.calibration) == (True, 7, 0xABC)
        assert (message.bend, message.bend_variance, message.bend_fraction, message.pressure) == (0.4, 1e-4, 0.6, 21e3)
        assert message.flags == PadEstimate.OVERLOAD | PadEstimate.MOTION
        assert message.state == PadEstimate.STATE_CONTACT

    def test_what_is_not_observed_is_nan_with_minus_one(self) -> None:
        """An unobserved axis is NaN in the wrench; its covariance is 0 with -1 on the diagonal, and never NaN."""
        given = estimate(force_n=np.array([NAN, NAN, 3.0]))
        wrench, square, seen = conversions.wrench_of(given)
        assert_allclose(wrench, [NAN, NAN, 3.0, NAN, NAN, 0.0])
        assert_allclose(square, np.diag([-1.0, -1.0, 0.09, -1.0, -1.0, 0.0]), rtol=0, atol=0)
        assert list(seen) == [False, False, True, False, False, True]

    def test_zero_stands_in_where_asked(self) -> None:
        """With unobserved_force: zero, missing axes read 0 and the others stay."""
        out = WrittenMessage(WrenchStamped())
        conversions.write_wrench(out, np.array([NAN, NAN, 3.0, NAN, NAN, NAN]), unobserved=0.0)
        wrench = deserialize_message(out.stamped(Time()), WrenchStamped).wrench
        assert (wrench.force.x, wrench.force.z, wrench.torque.y) == (0.0, 3.0, 0.0)

    @pytest.mark.parametrize("state", [samples.State.TARING, samples.State.STALE])
    def test_nobody_knows_while_taring_or_stale(self, state: samples.State) -> None:
        """The probability of a touch is NaN when nothing is known."""
        given = estimate(state=state)
        message = sent_estimate(given, "")
        assert math.isnan(message.contact_probability)

    def test_root_frame_at_a_quarter_turn(self) -> None:
        """At a bend of pi/2 with h = 0, a pad force.z of 1 is a root force.x of 1, with the torque of its lever.

        By hand: the pad lies at x = -z = s 2/pi, and torque y = z F_x - x F_z.
        """
        arc_m = 0.08
        position_m, rotation = pad_pose(math.pi / 2, arc_m, 0.0)
        given = estimate(force_n=np.array([0.0, 0.0, 1.0]), force_variance_n2=np.array([0.0, 0.0, 0.01]))
        wrench, square, _ = conversions.wrench_of(given, wrench_transfer_matrix(rotation, position_m))
        assert_allclose(wrench, [1.0, 0.0, 0.0, 0.0, -arc_m * 2 / math.pi, 0.0], rtol=0, atol=1e-15)
        assert_allclose(square[0, 0], 0.01, rtol=1e-12)
        assert_allclose(square, square.T, rtol=0, atol=1e-18)

    def test_root_frame_needs_all_three_forces(self) -> None:
        """With one axis missing, a turned wrench would mix knowledge and ignorance: nothing is observed."""
        given = estimate(force_n=np.array([NAN, 0.1, 1.0]))
        wrench, square, seen = conversions.wrench_of(given, np.eye(6))
        assert np.isnan(wrench).all()
        assert seen == [False] * 6
        assert_allclose(square, -np.eye(6), rtol=0, atol=0)

    def test_events_and_parts(self) -> None:
        """Kind, onset, numbers and sentence of an event, and the five stages of the signal, arrive."""
        event = samples.ContactEvent(
            5.0, 4.75, samples.EventKind.SLIP, 3, np.array([0.1, 0.2, 0.3]), 0.8, 0.4, "one sentence"
        )
        message = conversions.event_to_message(event, np.array([0.1, 0.2, 0.3, 0.0, 0.0, 0.0]))
        assert (message.kind, message.contact_id, message.detail) == (ContactEvent.SLIP, 3, "one sentence")
        assert (message.onset.sec, message.onset.nanosec) == (4, 750_000_000)
        assert (message.wrench.force.y, message.probability, message.bend_fraction) == (0.2, 0.8, 0.4)
        parts = conversions.parts_to_message(estimate().parts)
        assert list(parts.raw) == [0.0, 1.0, 2.0, 3.0]
        assert [parts.bending[0], parts.free_bending[0], parts.contact[0], parts.drift[0]] == [10.0, 10.0, 20.0, 30.0]


def test_quaternions_change_order_once() -> None:
    """A quarter turn about y is (x, y, z, w) = (0, sqrt(1/2), 0, sqrt(1/2)) in a message (REP 103 frames, by hand)."""
    message = conversions.quaternion_message(np.array([[0.0, 0.0, 1.0], [0.0, 1.0, 0.0], [-1.0, 0.0, 0.0]]))
    half = math.sqrt(0.5)
    assert_allclose([message.x, message.y, message.z, message.w], [0.0, half, 0.0, half], rtol=0, atol=1e-15)


def test_flags_states_and_kinds_are_those_of_the_messages() -> None:
    """Bits and numbers are the same in the code and in the messages."""
    for flag in samples.Flag:
        assert getattr(PadEstimate, flag.name) == flag.value
    for state in samples.State:
        assert getattr(PadEstimate, f"STATE_{state.name}") == state.value
    for kind in samples.EventKind:
        assert getattr(ContactEvent, kind.name) == kind.number


class TestDiagnostics:
    """What /diagnostics says."""

    @pytest.mark.parametrize("flag", list(samples.Flag))
    def test_every_flag_has_a_level_and_advice(self, flag: samples.Flag) -> None:
        """Each flag is named with its own level and a sentence for the maintainer."""
        level, message = level_of_flags(flag)
        assert level == FLAG_LEVELS[flag][0]
        assert message.startswith(f"{flag.name}: ")
        assert len(message) > len(flag.name) + 5

    def test_the_worst_comes_first(self) -> None:
        """Of several flags the worst decides the level and is named first."""
        level, message = level_of_flags(samples.Flag.MOTION | samples.Flag.SPIKE | samples.Flag.STALE)
        assert level == ERROR
        assert message.index("STALE") < message.index("SPIKE") < message.index("MOTION")
        assert level_of_flags(samples.Flag(0)) == (OK, "good")

    def test_change_is_noticed_once(self) -> None:
        """A status counts as changed until it has been put into a message."""
        health = FingerHealth("left_finger/tactile_sensor: finger", "left_finger")
        health.set_flags(samples.Flag.SPIKE, samples.State.FREE)
        assert health.changed
        status = health.status({"state": "free"})
        assert (status.level, status.name, status.hardware_id) == (
            WARN,
            "left_finger/tactile_sensor: finger",
            "left_finger",
        )
        assert (status.values[0].key, status.values[0].value) == ("state", "free")
        health.set_flags(samples.Flag.SPIKE, samples.State.FREE)
        assert not health.changed
        health.set_flags(samples.Flag.SPIKE, samples.State.FAULT)
        assert health.changed
        assert health.level == ERROR

    def test_counts_lost_scans_from_gaps_in_their_numbers(self) -> None:
        """A gap counts as lost scans, also across the wrap at 2^32, and a restarted driver does not."""
        counters = StreamCounters()
        for number in (2**32 - 2, 2**32 - 1, 2, 3, 7, 0):
            counters.count_scan(number, 0.002, samples.Flag(0))
        report = counters.report(2.0)
        assert report["scans lost"] == str(2 + 3)
        assert report["scan rate (Hz)"] == "3.0"
        assert report["latency mean (ms)"] == "2.00"
        assert counters.report(1.0)["scan rate (Hz)"] == "0.0"
