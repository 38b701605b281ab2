"""Molar volumes from structure against those from density, for the carriers that ship.

The shipped model was fitted with molecules like these, so this shows the fit; out-of-sample figures are on the page
of accuracy. A molecule that the method does not cover (water) is left out and counted.
"""

import pandas as pd

from hspkit import carrier, carriers, estimate_many, plotting

members = [carrier(name).substance for name in carriers()["carrier"]]
members = [one for one in members if one is not None and one.smiles]
found = estimate_many([one.smiles for one in members])
table = pd.DataFrame(
    {"measured": [one.volume for one in members], "predicted": found["volume"], "sd": found["sd_volume"]}
)
plotting.parity(table, sd="sd", quantity="molar volume", unit="cm³/mol", out_of_sample=False)
