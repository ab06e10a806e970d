"""benchd: recipes in, antenna numbers with uncertainties out."""

__version__ = "0.1.0"
