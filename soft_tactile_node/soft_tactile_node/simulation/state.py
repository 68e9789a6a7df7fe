"""Where each quantity stands in the state and command arrays of the compiled simulation loops (SI units)."""

from __future__ import annotations

# Finger state, one row a finger.
PRESSURE = 0  # chamber pressure, gauge (Pa)
VALVE = 1  # valve opening, -1 vents fully, +1 fills fully (1)
BEND = 2  # bend angle (rad)
BEND_RATE = 3  # (rad/s)
HYSTERESIS_1 = 4  # internal states of the two Bouc-Wen elements (1)
HYSTERESIS_2 = 5
CREEP = 6  # first of CREEP_COUNT delayed angles (rad)
CREEP_COUNT = 5
LINE_PRESSURE = 11  # pressure at the sensor, behind the line (Pa)
INDENT = 12  # indentation of the pad surface (m)
PAD_MEMORY = 13  # first of PAD_BRANCHES viscoelastic states of the pad (N)
PAD_BRANCHES = 4
PAD_ELASTIC = 17  # elastic pad response of the last substep (N)
SHEAR_X = 18  # shear deflection of the pad surface (m)
SHEAR_Y = 19
SHEAR_MEMORY = 20  # first of 2 x SHEAR_BRANCHES states, x before y (m)
SHEAR_BRANCHES = 2
SOFTENING = 24  # progress of the run-in, 0 new, 1 fully run in (1)
OBJECT_INDENT = 25  # indentation of the object under this pad (m)
OBJECT_MEMORY = 26  # viscoelastic state of the object under this pad (N)
OBJECT_ELASTIC = 27  # elastic response of the object in the last substep (N)
NORMAL = 28  # contact force along the surface normal (N)
FORCE_X = 29  # force of the world on the pad, pad frame (N)
FORCE_Y = 30
FORCE_Z = 31
TORQUE_X = 32  # torque about the pad origin, pad frame (N m)
TORQUE_Y = 33
TORQUE_Z = 34
SLIP_SPEED = 35  # sliding speed at the contact in the last substep (m/s)
SLIP_SMOOTH = 36  # the same, smoothed, decides the friction coefficient (m/s)
SLIP_DISTANCE = 37  # slid since the last scan (m)
TILT_X = 38  # tilt of the pad's inside under torque (rad)
TILT_Y = 39
TILT_SLOW_X = 40  # delayed part of it (rad)
TILT_SLOW_Y = 41
METAL = 42  # liquid metal displaced into the coil cell (m^3)
TOUCHED = 43  # 1 if the pad touched something since the last scan
FRICTION_WORK = 44  # work lost in sliding since the start (J)
GEOMETRIC_X = 45  # part of FORCE_X that comes from a tilted surface, not from shear deflection (N)
NO_BLOCK_RAD = 10.0  # no finger bends that far
BLOCK_ANGLE = 46  # bend at which something away from the pad holds the finger back (rad)
PASSED = 47  # 1 while the pad is beyond the object's surface without touching it (above or below the object)
FINGER_STATES = 48

# Body state: the object, the stop behind it, the arm, the bench stage.
OBJECT_X = 0  # object centre in the palm frame (m): x down along the palm, z away from finger 1
OBJECT_Y = 1
OBJECT_Z = 2
OBJECT_VX = 3
OBJECT_VY = 4
OBJECT_VZ = 5
STOP_X = 6  # deflection of the fixed stop's surface (m)
STOP_Y = 7
LIFT = 8  # arm height above the tray (m)
LIFT_RATE = 9
LIFT_ACCELERATION = 10
STAGE_Z = 11  # bench stage: depth below the unloaded pad surface (m)
STAGE_X = 12  # bench stage: sideways position (m)
STAGE_Y = 13
TRAY_FORCE = 14  # force of the tray on the object, upwards positive (N)
BODY_STATES = 15

# Commands, one row a scan.
COMMAND_LIFT = 0  # (m)
COMMAND_TEMPERATURE = 1  # (degC)
COMMAND_OBJECT = 2  # 0 nothing there, 1 object there, 2 a fresh object is put on the tray now
COMMAND_STAGE = 3  # 0 stage away, 1 stage presses with the forces below
COMMAND_FORCE_X = 4  # (N)
COMMAND_FORCE_Y = 5
COMMAND_FORCE_Z = 6
COMMAND_OFFSET_X = 7  # where the stage or the object meets the pad (m)
COMMAND_OFFSET_Y = 8
COMMAND_SPEED = 9  # fastest stage travel (m/s)
COMMAND_SWAY = 10  # sideways acceleration of the arm (m/s^2)
COMMAND_TILT = 11  # turn of the palm about its y: gravity moves from x towards z (rad)
COMMAND_PRESSURE = 12  # first of one column a finger (gauge Pa)
