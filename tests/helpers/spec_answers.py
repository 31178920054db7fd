"""Answers to a spec sheet's questions: as few as a rig needs."""

NEEDED = {
    "title": "Rig 4",
    "recording.sensor_mm": "Super 35, 4-perf",
    "recording.raster_px": "3840 x 2160",
    "recording.focal_mm": "21",
    "shot.distance_m": "2 to inf",
    "monitoring.sensor_mm": "5.9 x 4.425",
    "monitoring.raster_px": "1440x1080",
    "monitoring.angle_deg.horizontal": "118",
}
