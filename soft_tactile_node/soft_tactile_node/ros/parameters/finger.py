"""What the sensor of a finger can be told."""

from __future__ import annotations

from soft_tactile_node.registry import DEFAULT_PAD, PADS
from soft_tactile_node.ros.parameters.common import ATMOSPHERE, AUTOSTART, COMMANDING, NAN
from soft_tactile_node.ros.parameters.device import DEVICE, KINDS
from soft_tactile_node.ros.parameters.spec import ParameterSpec as P

SENSOR = (
    AUTOSTART,
    P(
        "source",
        "topic",
        "Where scans come from: the topics `coils` and `pressure`; or a device, a recording or a finger simulated in "
        "this process, which are then published on these topics.",
        choices=("topic", *KINDS, "simulated"),
    ),
    *DEVICE,
    P(
        "calibration",
        "",
        "Calibration file (YAML); must be given. `none` = start without one and wait for the action `calibrate`.",
    ),
    P("pad_serial", "", "Serial number the calibration must carry; empty = any."),
    P(
        "sensitivity",
        "light",
        "Detection setting: `light` for touches of 0.05 N, `sure` for touches of 0.2 N with fewer false alarms.",
        choices=("light", "sure"),
    ),
    P(
        "touch_force",
        NAN,
        "Smallest force reported as a touch; NaN = as the sensitivity says.",
        "N",
        low=0.005,
        high=10.0,
        allow_nan=True,
        dynamic=True,
    ),
    P(
        "false_alarms",
        NAN,
        "Rate of false touches the thresholds aim at; NaN = as the sensitivity says.",
        "1/min",
        low=1e-4,
        high=10.0,
        allow_nan=True,
        dynamic=True,
    ),
    P(
        "overload_force",
        NAN,
        "Force above which an overload is reported; NaN = the highest calibrated force.",
        "N",
        low=0.01,
        high=1000.0,
        allow_nan=True,
        dynamic=True,
    ),
    P("tare_duration", 1.0, "How long the finger must rest for a tare.", "s", low=0.1, high=60.0),
    P(
        "tare_file",
        "",
        "Where the last tare is kept for a restart; empty = in the user's state folder, `none` = nowhere.",
    ),
    P(
        "coil_timeout",
        0.1,
        "Longest gap between scans before the estimate is called stale; also the DEADLINE offered.",
        "s",
        low=0.005,
        high=10.0,
    ),
    P(
        "pressure_timeout",
        0.25,
        "Longest time one pressure reading is held before it counts as missing.",
        "s",
        low=0.01,
        high=60.0,
    ),
    P(
        "pressure_reference",
        "absolute",
        "What the `pressure` topic carries: absolute pressure, as its type says, or gauge.",
        choices=("absolute", "gauge"),
    ),
    P(
        "atmospheric_pressure",
        NAN,
        ATMOSPHERE + "; NaN = taken from the readings of the tare.",
        "Pa",
        low=50e3,
        high=110e3,
        allow_nan=True,
    ),
    P("pad_frame", "", "Frame of the pad; empty = <namespace>_pad."),
    P("root_frame", "", "Frame of the finger root; empty = <namespace>_finger_root."),
    P(
        "wrench_frame",
        "pad",
        "Frame in which wrenches are published; `root` needs a geometry in the calibration.",
        choices=("pad", "root"),
    ),
    P(
        "unobserved_force",
        "nan",
        "What an axis that is not observed shows in `wrench`.",
        choices=("nan", "zero"),
    ),
    P(
        "estimate_rate",
        0.0,
        "Most `pad_estimate` in a second, beside those that tell of another state, touch or flag; 0 = one for each "
        "scan. `wrench` comes with each scan.",
        "Hz",
        low=0.0,
        high=1e4,
    ),
    P("tf_rate", 50.0, "Most transforms root to pad in a second; 0 = none.", "Hz", low=0.0, high=50.0),
    P(
        "marker_rate",
        20.0,
        "Most marker updates in a second, only while subscribed; 0 = none.",
        "Hz",
        low=0.0,
        high=50.0,
    ),
    P(
        "max_pressure",
        NAN,
        "Highest pressure `calibrate` commands (gauge); NaN = not known, and nothing is calibrated.",
        "Pa",
        low=3e3,
        high=200e3,
        allow_nan=True,
    ),
    *COMMANDING,
    P("calibration_force", 5.0, "Highest normal force `calibrate` asks for.", "N", low=0.3, high=20.0),
    P("press_timeout", 60.0, "How long `calibrate` waits for one press.", "s", low=1.0, high=3600.0),
    P(
        "pad_info",
        "",
        "Description of the pad (YAML) for the action `calibrate`; empty = as the calibration in use says.",
    ),
    P(
        "base_motion_axes",
        [],
        "Turn from the axes of `base_motion` to those of the finger root, as a quaternion x, y, z, w; empty = the same "
        "axes.",
        low=-1.0,
        high=1.0,
    ),
    P(
        "simulated_bench",
        False,
        "Put the simulated finger on a bench whose stage follows `press_command` and whose references are published "
        "(source `simulated`).",
    ),
    P(
        "simulated_object",
        "none",
        "Object within reach of the simulated finger (source `simulated`).",
        choices=("bun", "roll", "jar", "none"),
    ),
    P(
        "simulated_pad",
        DEFAULT_PAD,
        "Pad variant of the simulated finger (source `simulated`).",
        choices=tuple(PADS),
    ),
    P(
        "simulated_seed",
        1,
        "Picks the simulated specimen and its noise (source `simulated`).",
        low=0,
        high=2**31 - 1,
    ),
    P("simulated_rate", 250.0, "Scans in a second (source `simulated`).", "Hz", low=50.0, high=2000.0),
)
