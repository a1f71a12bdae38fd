"""Room acoustics for venues of a day: one trace, many treatment scenarios, every figure with its error bar."""

__version__ = "0.1.0"
