"""A monitoring lens from the three angles of view on a spec sheet, and by how much it misses each of them."""

from framematch import Camera, lens_from_angles

fit = lens_from_angles(angles_deg={"horizontal": 118.0, "vertical": 89.0, "diagonal": 146.0}, width_mm=5.9, height_mm=4.425, projection=None)
print(f"{fit.lens.projection}: focal length {fit.lens.focal_mm:.3f} mm, k = {[round(k, 4) for k in fit.lens.k]}")
for name, miss in fit.residual_deg.items():
    print(f"{name}: {miss:+.2f} degrees from the quoted angle")

camera = Camera(lens=fit.lens, sensor_mm=(5.9, 4.425), raster_px=(1440, 1080))
print(f"angle of view across: {camera.angles().horizontal:.1f} degrees")
