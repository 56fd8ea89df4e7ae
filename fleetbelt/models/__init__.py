"""The statistics: frames and arrays in, frozen results out; no I/O, no clock."""
