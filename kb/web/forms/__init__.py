"""What people send in forms: fields, records made of them, and what happens when two change one record."""
