"""Moorhen, an invented survey sled: the vehicle and scenarios of the demo, as data."""
