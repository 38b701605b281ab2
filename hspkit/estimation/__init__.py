"""Hansen parameters and molar volume from structure."""
