"""What every file has in common: text read within bounds, TOML with plain faults, units, files written whole."""
