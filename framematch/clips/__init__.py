"""What the clips of a flight tell: how the rig turned, what a stabiliser needs, how both clips go together."""
