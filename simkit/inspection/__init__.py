"""Reading a surface: lows, highs, crowns, slopes and damage."""
