"""A search for what breaks a requirement: rider, water, supply, faults (row 4).

space and script say what may happen, graded and near how near a run came, bed runs many,
seek looks for the nearest, shrink makes what was found simple, search is the whole job;
hard looks for the hardest day and build of a ride that stays as it is.
"""
