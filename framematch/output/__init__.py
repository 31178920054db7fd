"""What leaves the program: drawings, pictures, print, exchange files."""
