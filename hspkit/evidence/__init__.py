"""Evidence."""
