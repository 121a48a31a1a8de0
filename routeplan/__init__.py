"""Plans road rides on which a bicycle-mobile radio amateur stays in contact."""

__version__ = "0.1.0"
