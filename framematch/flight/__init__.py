"""The aircraft on the day: air, attitude, power and time, where it could come down.

Advisory figures from textbook models. What each leaves out is said where it is computed; the
licensed remote pilot, the aircraft's manual and the local rules decide.
"""
