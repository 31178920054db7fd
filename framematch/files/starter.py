"""The commented files that people start from: a pairing, a gap, a flight day; each works as it stands."""

from __future__ import annotations

from framematch.geometry.lens_models import PLAIN

#: What ``framematch init`` writes: our glasshouse example.
STARTER = """\
# A pairing: one recording camera set-up, one monitoring camera set-up and the mount between them.
# Lengths and angles have their unit in their name. What may be left out says so.
title = "Glasshouse pane, 18 mm"
# production = "The long nave"      # these, and serial = "..." of a camera, lens_serial of the lens, stand on every sheet and label
# unit = "second unit"
# notes = "Monitoring lens taped at infinity."

[shot]
distance_m = [1.5, 30.0]            # nearest and farthest the guide has to serve; inf allowed
turn_deg_s = { pan = 60 }           # fastest turn: pan, tilt, roll in degrees per second; may be left out

[recording]                         # the camera whose picture is kept
sensor_mm = [24.89, 13.12]          # the area read out in this mode; or format = "super35-4perf"
raster_px = [5760, 3036]            # the recorded picture, still squeezed
focal_mm = 18.0                     # or angle_deg = { horizontal = 69.0 }
projection = "rectilinear"          # {projections}
squeeze = 1.0                       # anamorphic squeeze; 1.0 if left out
f_number = 8.0                      # stop; may be left out
focus_m = inf                       # distance focused at; inf if left out
readout_ms = 12                     # first row to last, 0 for a global shutter; leave out if not known
# A measured lens (none if left out):
distortion = { model = "brown-conrady", k = [-0.02, 0.004], p = [0.0, 0.0] }
centre_px = [2880.0, 1518.0]        # where the lens axis meets the raster; the middle if left out

[recording.frame]                   # all of the picture if left out; [[recording.frame]] once for each delivery, each with a name
aspect = "2.39:1"                   # delivery aspect ratio: "16:9", "2048:858", 1.85, ...
keep_percent = 92                   # what the stabiliser leaves, each way; 100 if left out
align = "centre"                    # centre, top, bottom, left, right
wander_percent = 0                  # how far the stabiliser moves the frame each way, in percent of the frame; 0 if left out

[monitoring]                        # the camera whose picture the goggles show
sensor_mm = [5.9, 4.425]
raster_px = [1440, 1080]
projection = "equidistant"          # or distortion = { model = "kannala-brandt", k = [0.01, -0.003] }
angle_deg = { horizontal = 118.0 }  # one, two or three of horizontal, vertical, diagonal; or focal_mm
readout_ms = 8                      # as above

[monitoring.display]                # the camera's own raster if left out
raster_px = [1280, 720]             # the goggles' picture
fit = "crop"                        # crop fills it, letterbox adds bars, stretch fits each side; crop if left out
text_cells = [50, 18]               # columns and rows of a character grid over the display; may be left out

[mount]                             # the monitoring camera seen from the recording camera; all 0 if left out
offset_mm = { right = 0, up = 58, forward = 31 }
aim_deg = { pan = 0, tilt = 0, roll = 0 }       # + is right, up, clockwise seen from behind

[tolerance]                         # half-widths of 95 % intervals; 0, taken as exact, if left out
offset_mm = 4                       # each of the three offsets
aim_deg = 0.5                       # each of pan, tilt, roll
focal_percent = 2                   # each camera's focal length
""".replace("{projections}", ", ".join(PLAIN))

#: A plan for the starter pairing, to be added to it or kept beside it.
STARTER_PLAN = """\
# A shot: the gap, the run through it and what flies, for `lenses`, `view` and `run`. In the pairing's file or in one given with --shot.
[gap]
size_m = [1.2, 0.9]                 # width, height of the opening
shape = "rectangle"                 # rectangle, arch, circle
thickness_m = 0.1                   # of the wall
sill_m = 1.1                        # from the ground

[run]
speed_m_s = 8.0
offset_m = { right = 0.0, up = 0.0 }  # where the camera passes, from the opening's middle
heading_deg = 0                     # from straight through, + right
tilt_deg = 0                        # of the recording camera above the horizon, in flight
distances_m = [10.0, 5.0, 2.0]      # before the gap, for the table and the pictures
shutter_deg = 180
rate_fps = 24

[aircraft]
size_m = [0.42, 0.24, 0.42]         # width, height, length, propellers and all
camera_m = { right = 0.0, up = 0.05, forward = 0.12 }  # the recording camera, from the middle of that
camera_tilt_deg = 25                # of the recording camera against the airframe
uncertainty_cm = 15                 # how far off the flown path may be, 95 %

[[aircraft.prop]]
name = "front left"
at_mm = { right = -130, up = 45, forward = 60 }  # of its hub, from the recording camera
radius_mm = 64

[[aircraft.prop]]
name = "front right"
at_mm = { right = 130, up = 45, forward = 60 }
radius_mm = 64

[[subject]]
name = "dancer"
height_m = 1.70
beyond_m = 4.0                      # past the gap
right_m = 0.6

[[lens]]
focal_mm = 12
weight_g = 180
closest_m = 0.3
widest_f = 2.0
deepest_f = 16

[[lens]]
focal_mm = 18                       # the pairing's own: keeps its distortion

[second]                            # another camera for a hidden cut
format = "1-inch"
raster_px = [3840, 2160]

# [place]                           # where it is flown; our glasshouse if left out
# scene = "window"                  # doorway, window, alley, underpass, trunks, car, glasshouse
# file = "scan.glb"                 # or a mesh beside this file: GLB, glTF, OBJ, PLY, STL; then also:
# scale_m = 1.0                     # metres for each of its units
# up = "y"                          # its upward axis, y or z
# at_m = [0, 0, 0]                  # where its origin goes: right, up, back
# turned_deg = 0                    # to the right, seen from above
# ground_m = 0.0                    # height of the ground; its lowest point if left out
# A mesh's opening also says where it is: middle_m = [0, 1.5, 0] and heading_deg = 0 (0 is -Z, 90 is +X).
# Several openings, in the order flown, are [[opening]] tables with the same keys, in place of [gap].
"""

#: What ``framematch path --starter`` writes: a flight that works as it stands.
STARTER_PATH = """\
# A flight through points, for `framematch path` and `framematch run`. In the pairing file or a file of its own.
# Scene axes: x right, y up, z back, metres; the gap's middle lies on x = 0 near z = 0 and is flown along -z.
[place]
scene = "glasshouse"                # or file = "my-scan.glb"

[aircraft]
size_m = [0.42, 0.24, 0.42]         # width, height, length, propellers and all
camera_m = { right = 0.0, up = 0.05, forward = 0.12 }  # the recording camera, from the middle of that
camera_tilt_deg = 12                # of the recording camera on the airframe, + up
uncertainty_cm = 15                 # how far off the flown path may be, 95 %

[flying]                            # what the lean comes from
mass_kg = 1.2                       # all up
logged_pitch = { speed_m_s = 14, pitch_deg = 20 }  # one steady speed and the nose-down pitch seen at it; or drag_area_m2
off_percent = { drag = 25 }         # how sure that is, 95 %
tilt_off_deg = 1.0
wind_m_s = 0
wind_from_deg = 0                   # degrees right of -z
lean_deg = 40                       # the most that is flown: lean, acceleration, jerk
acceleration_m_s2 = 6
jerk_m_s3 = 25
# max_lift_kg = 4.0
# turn_deg_s = 180

[[subject]]
name = "dancer"
height_m = 1.70
beyond_m = 9.5                      # past the gap
right_m = 0.6

[path]
# heading_deg = 0                   # held; along the path if left out
# towards = "dancer"                # the nose turned to a subject
# log = "flight.csv"                # a flight as it was logged (time_s, x_m, y_m, z_m, roll_deg, pitch_deg, yaw_deg), in place of points

[[path.point]]
at_m = [-9.5, 1.6, 9.5]
speed_m_s = 0                       # from rest, nose down as it speeds up; without one it is the run's

[[path.point]]
at_m = [-3.5, 1.6, 7.2]
speed_m_s = 6

[[path.point]]
at_m = [-0.4, 1.55, 4.0]            # banked, round to the opening
speed_m_s = 6

[[path.point]]
opening = 1                         # through its middle
speed_m_s = 5

[[path.point]]
at_m = [0.0, 1.7, -3.0]
speed_m_s = 4.5

[[path.point]]
at_m = [0.1, 1.7, -7.2]             # nose up as it brakes
speed_m_s = 0
"""

#: What ``framematch init-day`` writes: a day that works as it stands, with every key explained.
STARTER_DAY = """\
# A day of flying. Lines that start with # are remarks. Leave out any table you don't need but "pairing".
# Every figure is in the unit of its key, or text with its own: "40 ft", "25 mph", "7 lb 4 oz", "59 F", "4500 mAh".
title = "Glasshouse, morning"
pairing = "PAIRING"               # the pairing's file, beside this one
# gap = "gap.toml"                # the gap's tables, if they are not in the pairing's file
units = "metric"                  # what the card shows: metric or imperial

[aircraft]
mass_kg = 3.3                     # ready to fly, without the pack
rotors = 8
coaxial = true                    # in pairs, one above the other
prop_diameter_m = 0.18
span_m = 0.62                     # tip to tip
drag_area_m2 = 0.05               # a guess; better: logged_pitch = { speed_m_s = 14, pitch_deg = 16 }
accessories_w = 25                # camera, video link, lights
# max_lift_kg = 11                # thrust of all rotors at full throttle, from the bench
# camera_tilt_deg = 12            # how the recording camera sits on the airframe now, + up
# logged_flight = { minutes = 3.7, mass_kg = 4.0, used_percent = 80, style = "light" }  # one flight beats every default

# [[aircraft.prop]]               # to see whether a prop comes into the frame; one table each
# name = "front left"
# at_mm = { right = -150, up = 20, forward = 110 }   # hub from the recording lens
# radius_mm = 90

[pack]
cells = 6
capacity_ah = 4.5                 # or energy_wh = 100
mass_kg = 0.7
owned = 6                         # charged and here
reserve_percent = 20              # stays in the pack at landing

[air]
altitude_m = 120                  # above sea level
temperature_c = 16
headwind_m_s = 0                  # + against the run
gust_m_s = 4                      # strongest wind from any side

[run]
speed_m_s = 12
speed_range_m_s = [9, 15]         # slowest and fastest
horizon_percent = 50              # height of the horizon in the frame: 0 bottom edge, 100 top edge
points_m = [[0, -18, 1.6], [0, 0, 1.6], [1, 12, 2.2]]  # right, ahead, height above ground; here the gap is at 0, 0

[exposure]
light = "overcast"                # LIGHTS; or ev100 = 12.7 from a meter
iso = 800
rate_fps = 24
shutter_deg = 180
f_number_range = [2.8, 16]        # widest and smallest opening of the lens
loss_stops = 0.3                  # T-stop over f-number
nd = [0.3, 0.6, 0.9, 1.2, 1.8]    # filters in the case: densities, or "2 stops"
# most_filters = 2                # may be stacked
# mains_hz = 50                   # lamps in the scene: 50 or 60

[card]
capacity_gb = 512
data_rate_mbit_s = 1200           # or bits_per_pixel = 3
owned = 2
before_takeoff_s = 60             # the camera is started by hand and runs so long before take-off

[flights]
transit_s = 40                    # out to the start and back to land, together

[[shots]]
name = "Through the pane"
takes = 4
take_s = 25
reset_s = 20                      # back to the start for the next take
style = "hard"                    # light or hard flying

[[shots]]
name = "Long nave"
takes = 3
take_s = 40
reset_s = 25

[[people]]
name = "Visual observer"
at_m = [-18, -10]                 # right, ahead

[place]
margin_m = 2                      # added around where it could come down
scene = "glasshouse"              # SCENES, or a mesh file beside this one; the gap is at 0, 0
# walls = [ { name = "wall", line_m = [[-6, 0], [-0.6, 0]] } ]   # or drawn by hand
"""


def starter_day(pairing: str) -> str:
    """A commented day file for a pairing's file, with the lights and scenes that are known here."""
    from framematch.optics.exposure import LIGHT_EV100
    from framematch.scene.places import FILES

    name = pairing.replace("\\", "/").replace('"', "")
    return STARTER_DAY.replace("PAIRING", name).replace("LIGHTS", ", ".join(LIGHT_EV100)).replace("SCENES", ", ".join(FILES))
