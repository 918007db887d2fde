"""Runs the growth bench and draws it: growth.py [KNAP], from the root of the repository, writes benches/growth.svg
and benches/growth.md, which the table of peers ends with. With the path of a built knap it also times whole tables of 10^3 to 10^7 rows and their
most memory. Needs cargo, matplotlib, numpy."""
import os, pathlib, re, subprocess, sys, tempfile, time
import matplotlib

matplotlib.use("svg")
matplotlib.rcParams["svg.hashsalt"] = "growth"
import matplotlib.pyplot as plt
import numpy as np

built = subprocess.run(
    ["cargo", "bench", "--no-run", "--features", "parallel,simd", "--bench", "growth"], capture_output=True, text=True
)
binary = re.search(r"\((.*growth-[0-9a-f]*)\)", built.stderr).group(1)
series = {}
for line in subprocess.run([binary, "run"], capture_output=True, text=True, check=True).stdout.splitlines():
    what, size, value = line.split()
    series.setdefault(what, []).append((int(size), float(value)))
if len(sys.argv) > 1:
    knap, rng = sys.argv[1], np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as folder:
        for n in [1_000, 10_000, 100_000, 1_000_000, 10_000_000]:
            table, memory = pathlib.Path(folder, "m.csv"), pathlib.Path(folder, "memory")
            with open(table, "w") as f:
                f.write("platform_depth_mm,exterior_platform_angle_deg,mass_g\n")
                for _ in range(0, n, 1_000_000):
                    k = min(n, 1_000_000)
                    rows = zip(rng.uniform(2, 14, k), rng.uniform(50, 85, k), rng.uniform(1, 90, k))
                    f.writelines(f"{d:.2f},{a:.1f},{m:.2f}\n" for d, a, m in rows)
            for what, command in [
                ("table in, estimates out", ["estimate", "--size", "mass_g", "--out", os.path.join(folder, "out.csv")]),
                ("table in, fit printed", ["fit", "--response", "mass_g", "--form", "log-log", "--name", "own"]),
            ]:
                best, most = np.inf, 0
                for _ in range(3):
                    start = time.perf_counter()
                    p = subprocess.Popen(
                        ["/usr/bin/time", "-o", memory, "-f", "%M", knap, *command, "--table", table], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
                    )
                    assert p.wait() == 0
                    took = time.perf_counter() - start
                    best, most = min(best, took), max(most, int(memory.read_text()) / 1024)
                series.setdefault(what, []).append((n, best))
                series.setdefault("memory of " + what, []).append((n, most))
figure, (rows, terms) = plt.subplots(1, 2, figsize=(9, 3.6))
for axis, ending, label in [(rows, "rows", "rows"), (terms, "terms", "terms (100,000 rows)")]:
    for what in ["fit", "intervals"]:
        x, y = zip(*series[f"{what}-by-{ending}"])
        axis.loglog(x, y, "o-", label=what + " from columns")
    axis.set_xlabel(label)
    axis.set_ylabel("seconds, least of several")
    axis.grid(alpha=0.3)
for what in ["table in, estimates out", "table in, fit printed"]:
    if what in series:
        x, y = zip(*series[what])
        rows.loglog(x, y, "s--", label=what)
rows.legend(fontsize=8)
terms.legend(fontsize=8)
terms.set_xticks([2, 4, 10, 20, 40], ["2", "4", "10", "20", "40"])
terms.minorticks_off()
figure.tight_layout()
figure.savefig(pathlib.Path("benches", "growth.svg"), metadata={"Date": None})
lines = [
    "## Growth",
    "",
    "Seconds (least of several) and megabytes (lines with \"memory\"), by `python3 benches/growth.py target/release/knap`, a run of its own on",
    "the same kind of machine, drawn in [growth.svg](growth.svg). Memory of estimates and of fits from a table is flat in the rows (a fit keeps at most",
    "some hundred thousand of them; `knap fit --by`, which must know all levels first, keeps all); the memory of intervals in columns is that of the answers",
    "themselves, 24 bytes a row.",
    "",
    "| what | " + " | ".join(f"{n:,}" for n, _ in series["fit-by-rows"]) + " |",
    "|---|" + "---|" * len(series["fit-by-rows"]),
]
for what, values in series.items():
    if len(values) == len(series["fit-by-rows"]):
        lines.append(f"| {what} | " + " | ".join(f"{v:.3g}" for _, v in values) + " |")
lines += ["", "| what | " + " | ".join(str(n) for n, _ in series["fit-by-terms"]) + " |"]
lines.append("|---|" + "---|" * len(series["fit-by-terms"]))
for what in ["fit-by-terms", "intervals-by-terms"]:
    lines.append(f"| {what} | " + " | ".join(f"{v:.3g}" for _, v in series[what]) + " |")
text = "\n".join(lines) + "\n"
print(text)
pathlib.Path("benches", "growth.md").write_text(text)
