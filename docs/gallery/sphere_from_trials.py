"""A sphere from eight bench trials of an INVENTED oil: where it may lie, and which trials contradict it."""

from hspkit import carrier, plotting
from hspkit.sphere import SphereFit

seen = {
    "triacetin": "clear", "triethyl citrate": "clear", "tributyrin": "clear", "benzyl alcohol": "clear",
    "MCT": "hazy", "propylene glycol": "splits", "glycerol": "splits", "ethyl lactate": "clear",
}  # fmt: skip
points = [carrier(name).hsp.array for name in seen]
plotting.sphere_fit(SphereFit(random_state=0).fit(points, list(seen.values()), names=list(seen)))
