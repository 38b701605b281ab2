"""`python -m pytest docs` runs the examples of the pages, not the scripts beside them."""

import matplotlib

matplotlib.use("Agg")

collect_ignore_glob = ["*.py", "gallery/*", "api/*", "story/*", "_build/*"]
