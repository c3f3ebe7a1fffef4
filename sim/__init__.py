"""drydive: a dry dive for throttle firmware, before it is flashed and sealed.

The folders are layers and imports only go down: ``face`` 5, ``jobs`` 4,
``verdict`` 3, ``bench`` 2, ``world`` and ``record`` 1, ``base`` 0.
"""

__version__ = "0.1.0"
