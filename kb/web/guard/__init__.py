"""Who gets in: the table of who may do what, the door, origins and hosts, cookies, connections."""
