"""Cases, their photographs and files, and figures over them."""
