"""From evidence to causes and the next measurement, and how often that was right."""
