<<<<<<< HEAD
"""What leaves the tool: overlays, paper, framing files, lens maps."""
=======
"""What leaves the program: drawings, pictures, print, exchange files."""
>>>>>>> main
