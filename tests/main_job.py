"""The whole job of a formulator, from a GC report to the figures; `test_no_network` runs it where nothing answers.

As a program, ``python tests/main_job.py FOLDER`` also reports every attempt to open a connection or to run a program.
"""

from __future__ import annotations

import socket
import sys
import warnings
from pathlib import Path

#: What Python tells an audit hook before it opens a connection, asks for an address or runs a program.
FORBIDDEN = ("socket.", "http.client.", "urllib.", "ftplib.", "smtplib.", "os.system", "os.exec", "os.posix_spawn")


def main_job(folder: Path) -> list[Path]:
    """Ask everything that a formulator asks, write every kind of file, and return the files."""
    import matplotlib

    matplotlib.use("Agg")
    import hspkit
    from hspkit import plotting
    from hspkit.application import dosing
    from hspkit.errors import ExtrapolationWarning

    warnings.simplefilter("ignore", ExtrapolationWarning)
    report = folder / "report.csv"
    report.write_text("component,percent\nlimonene,94.3\nmyrcene,1.9\nlinalool,0.4\npeak 7,0.2\n", encoding="utf-8")
    oil = hspkit.Oil.from_csv(report).folded(2)
    soda = hspkit.Application("US", "soft drinks", oil_mg_per_L=20)
    names = ["triacetin", "MCT", "propylene glycol"]
    ranking = hspkit.rank_carriers(oil, application=soda)
    hspkit.estimate_many(["CCO", "CC(=O)OCC", "no structure"])
    hspkit.dissolve(oil, "triacetin")
    hspkit.ethanol_strength_to_clear(oil, volumes=5)
    hspkit.pair_miscibility("limonene", "water")
    hspkit.reconcile("CCCC(=O)OCC(C)C", [hspkit.Evidence.water_solubility(1000, source="bench")])
    dosing(oil, hspkit.carrier("triacetin"), soda)
    search = hspkit.best_blend(oil, names, application=soda, max_carriers=2)
    sheet = hspkit.batch_sheet(oil, "triacetin", application=soda)
    log = hspkit.TrialLog(folder / "log.csv")
    log.append(hspkit.Trial("triacetin", "clear"), hspkit.Trial("propylene glycol", "splits"))
    learnt = hspkit.learn(oil, log)
    hspkit.next_trial(oil, names)
    files = [folder / name for name in ("sheet.html", "sheet.md", "sheet.txt", "sheet.csv")]
    for file in files:
        sheet.save(file)
    ranking.to_html(folder / "ranking.html")
    ranking.to_csv(folder / "ranking.csv")
    plotting.save(plotting.ranking(ranking), folder / "ranking.png")
    plotting.save(plotting.dose(ranking), folder / "dose.svg")
    plotting.save(plotting.blend_path(search, *names[:2]), folder / "path.pdf")
    assert learnt is not None
    others = ("ranking.html", "ranking.csv", "ranking.png", "dose.svg", "path.pdf", "log.csv")
    return [*files, *(folder / name for name in others)]


def _watched(folder: Path) -> int:
    seen: list[str] = []
    sys.addaudithook(lambda event, arguments: seen.append(event) if event.startswith(FORBIDDEN) else None)
    socket.socket().close()
    if not seen:
        print("a socket was opened and not heard of")
        return 1
    seen.clear()
    files = main_job(folder)
    print(f"{len(files)} files, {sum(file.stat().st_size > 0 for file in files)} not empty; forbidden: {seen}")
    return 1 if seen else 0


if __name__ == "__main__":
    raise SystemExit(_watched(Path(sys.argv[1])))
