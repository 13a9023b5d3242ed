"""The use cases: one function for each thing a person does. Owns the transactions."""

from kb.service.shop import Shop

__all__ = ["Shop"]
