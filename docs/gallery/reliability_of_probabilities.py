"""Do probabilities mean what they say? A reliability diagram of INVENTED forecasts that are somewhat too sure.

With the library's own held-out predictions, made by a command of the repository, the same call judges them.
"""

import numpy as np
import pandas as pd

from hspkit import plotting

rng = np.random.default_rng(1)
truth = rng.beta(0.6, 0.6, 300)
said = np.clip(0.5 + 1.25 * (truth - 0.5), 0.0, 1.0)  # too sure on both sides
table = pd.DataFrame({"probability": said, "happened": rng.random(300) < truth})
axes = plotting.reliability(table, out_of_sample=True)
axes.set_title("INVENTED forecasts, too sure\n" + axes.get_title(loc="left"), loc="left", fontsize="medium")
