"""Files that people send: what they are by their content, and pictures made fit to keep. Bytes in, bytes out."""

from kb.pictures.accept import LARGEST_BYTES, TAKEN, Accepted, accept, accept_file
from kb.pictures.names import printable_name
from kb.pictures.prepare import LARGEST_PIXELS, LONGEST_SIDE_PX, SMALL_SIDE_PX, small, small_of_file

__all__ = [
    "LARGEST_BYTES",
    "LARGEST_PIXELS",
    "LONGEST_SIDE_PX",
    "SMALL_SIDE_PX",
    "TAKEN",
    "Accepted",
    "accept",
    "accept_file",
    "printable_name",
    "small",
    "small_of_file",
]
