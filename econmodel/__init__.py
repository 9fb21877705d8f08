"""Health-economic decision model for the prophylaxis of gastric variceal bleeding.

A planning model for services; it is not advice for a patient.
"""

__version__ = "0.1.0"
