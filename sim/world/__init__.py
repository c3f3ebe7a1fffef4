"""Row 1: the physics, one part a file, as pure steps on NamedTuples of floats."""
