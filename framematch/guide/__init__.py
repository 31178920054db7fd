"""The frame as lines on the display: transfer, outline, best guide, areas, tolerance, wall marks, and the report of it all."""
