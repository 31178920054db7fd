"""What leaves the tool: overlays, paper, framing files, lens maps."""
