"""The fastest ramp and the highest caps that keep every corner inside its limits (row 4).

From the bottom up: drive (the ride and what it is held against), bed (runs on many
corners), search (a whole number), knobs and values (parameters), binding (the nearest
limit), hunt (the order of things), tune (the result), written and story (its files).
"""
