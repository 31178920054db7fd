"""The commented pairing that ``framematch init`` writes: our glasshouse example."""

STARTER = """\
# A pairing: one recording camera set-up, one monitoring camera set-up and the mount between them.
# Lengths and angles have their unit in their name. What may be left out says so.
title = "Glasshouse pane, 18 mm"

[shot]
distance_m = [1.5, 30.0]            # nearest and farthest the guide has to serve; inf allowed

[recording]                         # the camera whose picture is kept
sensor_mm = [24.89, 13.12]          # the area read out in this mode; or format = "super35-4perf"
raster_px = [5760, 3036]            # the recorded picture, still squeezed
focal_mm = 18.0                     # or angle_deg = { horizontal = 69.0 }
projection = "rectilinear"          # rectilinear, equidistant, equisolid, stereographic, orthographic
squeeze = 1.0                       # anamorphic squeeze; 1.0 if left out
f_number = 8.0                      # stop; may be left out
focus_m = inf                       # distance focused at; inf if left out
# A measured lens (none if left out):
distortion = { model = "brown-conrady", k = [-0.02, 0.004], p = [0.0, 0.0] }
centre_px = [2880.0, 1518.0]        # where the lens axis meets the raster; the middle if left out

[recording.frame]                   # all of the picture if left out
aspect = "2.39:1"                   # delivery shape: "16:9", "2048:858", 1.85, ...
keep_percent = 92                   # what the stabiliser leaves, each way; 100 if left out
align = "centre"                    # centre, top, bottom, left, right

[monitoring]                        # the camera whose picture the goggles show
sensor_mm = [5.9, 4.425]
raster_px = [1440, 1080]
projection = "equidistant"          # or distortion = { model = "kannala-brandt", k = [0.01, -0.003] }
angle_deg = { horizontal = 118.0 }  # one, two or three of horizontal, vertical, diagonal; or focal_mm

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
"""
