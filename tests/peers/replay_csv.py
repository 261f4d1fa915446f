#!/usr/bin/env python3
"""Times `airvalve replay` of a 12 h night at 10 Hz from CSV against programs that only read it and integrate the flow.

    cargo build --release && pip install duckdb polars pandas numpy
    tests/peers/replay_csv.py target/release/airvalve recordings-demo/ferrow-hill

Every run is a whole process, the start of Python included; a bare `import` is timed beside each peer, so that one can
see what of its time is its own start. Least of five.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

FLOW = """
import numpy as np
def litres(p, x, t):
    # Choked flow through the small orifice while the float is below its opening position, NL (ISO 2533, White ch. 9).
    open_ = (x < 80.0) & (p > 5.0)
    flow = 0.684731 * 0.65 * np.pi / 4 * 2.5e-3 ** 2 * (p + 100.3) * 1e3 / np.sqrt(287.053 * 285.15) / 1.29227 * 1e3
    return float(np.sum(np.where(open_, flow, 0.0)[1:] * np.diff(t)))
"""

PEERS = {
    "duckdb + numpy": (
        "import duckdb, numpy",
        "t = duckdb.sql(f\"select epoch(time) t, pressure_kpa p, float_pct x from read_csv('{f}')\").fetchnumpy()\n"
        "print(litres(t['p'], t['x'], t['t']))",
    ),
    "polars": (
        "import polars, numpy",
        "d = polars.read_csv(f, try_parse_dates=True)\n"
        "print(litres(d['pressure_kpa'].to_numpy(), d['float_pct'].to_numpy(),"
        " d['time'].dt.epoch('us').to_numpy() * 1e-6))",
    ),
    "pandas": (
        "import pandas, numpy",
        "d = pandas.read_csv(f, parse_dates=['time'])\n"
        "print(litres(d['pressure_kpa'].to_numpy(), d['float_pct'].to_numpy(),"
        " d['time'].astype('int64').to_numpy() * 1e-9))",
    ),
}


def least_s(command):
    times = []
    for _ in range(5):
        start = time.perf_counter()
        subprocess.run(command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        times.append(time.perf_counter() - start)
    return min(times)


def main():
    airvalve, stem = sys.argv[1:3]
    site = f"{stem}.site.toml"
    with tempfile.TemporaryDirectory() as folder:
        csv = str(Path(folder) / "night.csv")
        subprocess.run([airvalve, "export", f"{stem}.airvalve", "-o", csv], check=True)
        rows = sum(1 for _ in open(csv)) - 1
        own = least_s([airvalve, "replay", csv, "--site", site, "--json"])
        print(f"| program | whole process, s | its start alone, s | times as long |\n| --- | --- | --- | --- |")
        print(f"| airvalve replay, {rows} rows, detection and air included | {own:.3f} | | 1 |")
        for name, (imports, work) in PEERS.items():
            bare = least_s([sys.executable, "-c", imports])
            whole = least_s([sys.executable, "-c", f"{imports}\nf = {csv!r}\n{FLOW}\n{work}"])
            print(f"| {name}, reading and flow only | {whole:.3f} | {bare:.3f} | {whole / own:.1f} |")


main()
