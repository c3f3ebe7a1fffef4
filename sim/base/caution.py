"""What simulation cannot do for anyone, said in the same words everywhere (row 0)."""

CAUTION = (
    "Simulation replaces no hardware interlock: keep guarded propellers, a tether, a second person and care with "
    "lithium packs; local codes and licensed practice come first."
)
