"""Pure numerics: arrays in, results with uncertainty out. No files, no clock, no jig."""
