"""A local knowledge base of board faults for people who repair electronics boards."""

__version__ = "0.3.0.dev0"
