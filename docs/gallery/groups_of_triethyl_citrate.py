"""What each group of triethyl citrate adds to its Hansen parameters, and what its hidden hydroxyl takes back."""

from hspkit import estimate, plotting

citrate = estimate("CCOC(=O)CC(O)(CC(=O)OCC)C(=O)OCC")
plotting.group_contributions(citrate, name="triethyl citrate")
