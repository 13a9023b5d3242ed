"""The use cases: one function for each thing a person does. Owns the transactions."""

from kb.service.shop.shop import Shop

__all__ = ["Shop"]
