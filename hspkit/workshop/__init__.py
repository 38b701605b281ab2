"""The workshop: everything that fits what ships, rebuilds its tables and judges the result. Not in the wheel."""
