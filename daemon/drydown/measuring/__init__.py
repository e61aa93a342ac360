"""Charts and what was measured of them: reading and writing measurement text, laying charts, verifying a profile. Knows numbers, no studio."""
