"""benchd: a bench instrument for reviving ISA-bus PCs and their expansion cards."""

__version__ = "0.1.0"
