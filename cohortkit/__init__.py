"""Multi-clinic research cohorts of finger-pulley ultrasound: pool, freeze, analyse, redraw."""

__version__ = "0.1.0"
