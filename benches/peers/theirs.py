"""What a user would run instead, interleaved with ours. theirs.py FOLDER OURS ROUNDS RESULTS KNAP CRATE

Each round runs our binary once (it repeats each work five times) and each peer once; R joins where it is
installed. Medians over all. Writes the table to RESULTS and prints it. Peers named in PEERS_WITHOUT (with commas) are
left out."""
import json, os, pathlib, platform, shutil, statistics, subprocess, sys, time
import numpy as np
import scipy, scipy.stats
import statsmodels, statsmodels.api as sm
import pandas, polars, sklearn
from sklearn.linear_model import LogisticRegression

folder, ours, rounds, results, knap, crate = (pathlib.Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]), *sys.argv[4:7])
depth, angle, antler, mass, ends = (
    np.fromfile(folder / n, "<f8") for n in ("depth", "angle", "class", "mass", "ends")
)
n = len(mass)
here = pathlib.Path(__file__).parent
fitted = str(folder / "fit.json")
times = {}


def timed(work, f):
    start = time.perf_counter()
    out = f()
    times.setdefault(work, []).append(time.perf_counter() - start)
    return out


def design(d, a, c):
    l = np.log(d)
    x = np.empty((len(d), 6), order="F")
    x[:, 0], x[:, 1], x[:, 2], x[:, 3], x[:, 4], x[:, 5] = 1.0, l, a, c, l * a, l * l
    return x


def normal_equations():
    x, y = design(depth, angle, antler), np.log(mass)
    g = x.T @ x
    b = np.linalg.solve(g, x.T @ y)
    r = y - x @ b
    return b, np.linalg.inv(g) * (r @ r / (n - 6))


def lstsq():
    x, y = design(depth, angle, antler), np.log(mass)
    b, rss, _, _ = np.linalg.lstsq(x, y, rcond=None)
    return b  # (a covariance would cost another factorisation)


def ols():
    return sm.OLS(np.log(mass), design(depth, angle, antler)).fit()


b, v = normal_equations()
s2 = float(np.var(np.log(mass) - design(depth, angle, antler) @ b) * n / (n - 6))
t = scipy.stats.t.ppf(0.975, n - 6)


def whole(d=depth, a=angle, c=antler):
    x = design(d, a, c)
    m = x @ b
    h = t * np.sqrt(s2 + np.einsum("ij,ij->i", x @ v, x))
    return np.exp(m - h), np.exp(m), np.exp(m + h)


factor = np.linalg.cholesky(v)


def pieces(size=4096):
    low, mid, high = np.empty(n), np.empty(n), np.empty(n)
    x = np.empty((6, size))
    x[0] = 1.0
    for i in range(0, n, size):
        d, a, c = depth[i : i + size], angle[i : i + size], antler[i : i + size]
        k = len(d)
        w = x[:, :k]
        np.log(d, out=w[1])
        w[2], w[3] = a, c
        np.multiply(w[1], a, out=w[4])
        np.multiply(w[1], w[1], out=w[5])
        m = b @ w
        z = factor.T @ w
        z *= z
        h = t * np.sqrt(s2 + z.sum(0))
        np.exp(m, out=mid[i : i + k])
        np.exp(m - h, out=low[i : i + k])
        np.exp(m + h, out=high[i : i + k])
    return low, mid, high


# a tenth of the flakes: how they end
k = n // 10
xk = np.column_stack([np.log(depth[:k]), angle[:k], antler[:k]])
xk = (xk - xk.mean(0)) / xk.std(0)  # their optimisers want it so
design_k = sm.add_constant(xk)
facts = {}


def sklearn_logit():
    m = LogisticRegression(C=np.inf, solver="newton-cholesky", tol=1e-8, max_iter=100).fit(xk, ends[:k])
    p = m.predict_proba(xk)
    facts["multinomial log-likelihood, scikit-learn"] = float(np.log(p[np.arange(k), ends[:k].astype(int)]).sum())


def statsmodels_logit():
    m = sm.MNLogit(ends[:k], design_k).fit(method="newton", disp=0)
    facts["multinomial log-likelihood, statsmodels"] = float(m.llf)


def lower(rows):
    """A covariance as a calibration stores it, by the lower triangle; a Cholesky factor reads no more."""
    v = np.zeros((len(rows), len(rows)))
    for i, row in enumerate(rows):
        v[i, : i + 1] = row[: i + 1]
    return v


def sums(rng, x, model, batch):
    """Sums over all flakes of a batch of draws that share their coefficients and spread."""
    beta, v = np.array(model["coefficients"]), lower(model["covariance"])
    if "constant" in model["spread"]:
        s, df = (model["spread"]["constant"][k] for k in ("value", "degrees_of_freedom"))
        by = np.sqrt(df / rng.chisquare(df, batch))
        s = s * by
    else:
        c, w = np.array(model["spread"]["modelled"]["coefficients"]), lower(model["spread"]["modelled"]["covariance"])
        by, s = 1.0, np.exp(c[0] + np.sqrt(w[0, 0]) * rng.standard_normal(batch))
    m = x @ (beta[:, None] + by * (np.linalg.cholesky(v) @ rng.standard_normal((len(beta), batch))))
    m += s * rng.standard_normal((len(x), batch))
    np.exp(m, out=m)
    return m.sum(0)


def columns_of(few):
    l, a = np.log(depth[:few]), angle[:few]
    return np.stack([np.ones(few), l, a], axis=1), l - 2.0, a - 70.0


def assemblage(flakes=10_000, draws=10_000, batch=200):
    # total mass under the calibration fitted to the same flakes
    rng, model = np.random.default_rng(1), json.load(open(fitted))["variants"][0]["sizes"][0]
    x, _, _ = columns_of(flakes)
    total = [sums(rng, x, model, batch) for _ in range(draws // batch)]
    facts["assemblage median, numpy"] = float(np.median(np.concatenate(total)))
    return np.quantile(total, [0.025, 0.5, 0.975])


def assemblage_two(flakes=10_000, draws=10_000, batch=200):
    # total mass and mean length under the flint calibration: a natural cubic term in ln depth as well, a spread of its own
    rng, flint = np.random.default_rng(1), json.load(open(here.parent.parent / "src/calibration/hard-hammer-flint.json"))
    sizes = next(v for v in flint["variants"] if v["name"] == "depth, angle")["sizes"]
    length, mass = (next(s for s in sizes if s["size"] == n) for n in ("length_mm", "mass_g"))
    x, _, _ = columns_of(flakes)
    first, middle, last = mass["form"]["terms"][2]["spline"]["knots"]
    cube = lambda v: np.maximum(v, 0.0) ** 3
    d = lambda knot: (cube(x[:, 1] - knot) - cube(x[:, 1] - last)) / (last - knot)
    x = np.column_stack([x, (d(first) - d(middle)) / (last - first) ** 2])
    total = [(sums(rng, x, mass, batch), sums(rng, x, length, batch)) for _ in range(draws // batch)]
    facts["assemblage-two-sizes median, numpy"] = float(np.median([m for m, _ in total]))
    return np.quantile([m for m, _ in total], [0.025, 0.5, 0.975])


def ten_times(size=4096):
    # the same pieces over ten times the rows, each with its own place in the output
    low, mid, high = np.empty(10 * n), np.empty(10 * n), np.empty(10 * n)
    for turn in range(10):
        at = slice(turn * n, turn * n + n)
        low[at], mid[at], high[at] = pieces(size)


PEERS = [
    ("fit", "numpy normal equations", normal_equations, 1),
    ("fit", "numpy lstsq", lstsq, 1),
    ("fit", "statsmodels OLS", ols, 1),
    ("intervals", "numpy in pieces", pieces, 1),
    ("intervals", "numpy whole arrays", whole, 1),
    ("intervals-10x", "numpy in pieces", ten_times, 1),
    ("multinomial", "scikit-learn newton-cholesky", sklearn_logit, 1),
    ("multinomial", "statsmodels MNLogit", statsmodels_logit, 1),
]
SLOW_PEERS = [
    ("assemblage", "numpy batched", assemblage, 1),
    ("assemblage-two-sizes", "numpy batched", assemblage_two, 1),
]
without = os.environ.get("PEERS_WITHOUT", "").split(",")
SLOW_PEERS = [p for p in SLOW_PEERS if p[1] not in without]
table, written = str(folder / "m.csv"), str(folder / "out.csv")
peer = [sys.executable, str(here / "csv_peers.py")]
FIT = [knap, "fit", "--table", table, "--response", "mass_g", "--form", "log-log", "--name", "own"]
ESTIMATE = [knap, "estimate", "--table", table, "--out", written]
PROCESSES = [
    ("csv-estimate", "conchoid", ESTIMATE + ["--calibration", fitted]),
    ("csv-estimate", "polars + numpy", peer + ["estimate", "polars", table, fitted, written]),
    ("csv-estimate", "polars + numpy, rounded as ours", peer + ["estimate", "polars-rounded", table, fitted, written]),
    ("csv-estimate-modelled-spread", "conchoid", ESTIMATE + ["--calibration", "hard-hammer-flint", "--size", "mass_g"]),
    ("csv-estimate-four-sizes", "conchoid", ESTIMATE + ["--calibration", "hard-hammer-flint"]),
    ("csv-fit", "conchoid", FIT),
    ("csv-fit", "polars + numpy", peer + ["fit", "polars", table, fitted, written]),
    ("csv-fit", "pandas + numpy", peer + ["fit", "pandas", table, fitted, written]),
]
if crate != "none":
    PROCESSES.append(("csv-fit", "Rust csv + linregress", [crate, "csv", table]))
SLOW_PROCESSES = [("csv-estimate", "pandas + numpy", peer + ["estimate", "pandas", table, fitted, written])]
R_ESTIMATE = """suppressMessages({library(data.table); library(jsonlite)}); f <- fromJSON("FIT")$variants$sizes[[1]]
d <- fread("TABLE", showProgress = FALSE); b <- f$coefficients[[1]]; s <- f$spread$constant
p <- length(b); v <- matrix(0, p, p); for (i in 1:p) v[i, 1:i] <- f$covariance[[1]][[i]][1:i]; v <- v + t(v) - diag(diag(v))
x <- cbind(1, log(d$platform_depth_mm), d$exterior_platform_angle_deg); m <- as.vector(x %*% b)
h <- qt(0.975, s$degrees_of_freedom) * sqrt(s$value^2 + rowSums((x %*% v) * x))
d[, c("low", "median", "high") := list(exp(m - h), exp(m), exp(m + h))]
d[, c("p1", "p2", "p3", "p4", "calibration", "cautions", "form") := list(NA, NA, NA, NA, "own", NA, "log-log")]
fwrite(d, "OUT")"""
R_FIT = """suppressMessages(library(data.table)); d <- fread("TABLE", showProgress = FALSE)
print(summary(lm(log(mass_g) ~ log(platform_depth_mm) + exterior_platform_angle_deg, d))$coefficients)"""
if shutil.which("Rscript"):
    for work, script in [("csv-estimate", R_ESTIMATE), ("csv-fit", R_FIT)]:
        for key, value in [("TABLE", table), ("FIT", fitted), ("OUT", written)]:
            script = script.replace(key, value)
        SLOW_PROCESSES.append((work, "R data.table", ["Rscript", "-e", script]))
peaks = {}


# the machine's own pace, where there is a C compiler
kernel = folder / "kernel"
built = shutil.which("cc") and subprocess.run(
    ["cc", "-O3", "-march=native", "-ffast-math", "-fopenmp", "-o", str(kernel), str(here / "kernel.c"), "-lm"]
).returncode == 0
(folder / "model").write_text(
    "\n".join(f"{v:.17g}" for v in [*b, *(factor[i, j] for j in range(6) for i in range(j, 6)), s2, t])
)


def machine():
    """Times the kernel written for this one model in C."""
    told = subprocess.run([str(kernel), str(folder), str(n), str(folder / "model"), "7"], capture_output=True, text=True)
    for line in told.stdout.splitlines():
        work, value = line.split(" ", 1)
        if work == "told":
            facts["slope of ln depth, C"], facts["first upper end, C"] = (float(v) for v in value.split())
        else:
            times.setdefault((work, "C kernel"), []).append(float(value))
            times.setdefault((work + "@core", "C kernel"), []).append(2 * float(value))


def process(work, who, command):
    """Times a whole process: wall, cores, and the most memory it had."""
    start = time.perf_counter()
    # the memory is asked of a small process in between: a child counts that of the process it was forked from
    timed = ["/usr/bin/time", "-o", str(folder / "memory"), "-f", "%M"] if os.path.exists("/usr/bin/time") else []
    p = subprocess.Popen(timed + command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    _, status, used = os.wait4(p.pid, 0)
    wall = time.perf_counter() - start
    if status != 0:
        print("failed:", work, who)
        return
    times.setdefault((work, who), []).append(wall)
    times.setdefault((work + "@core", who), []).append(used.ru_utime + used.ru_stime)
    if timed:
        peaks[(work, who)] = max(peaks.get((work, who), 0), int((folder / "memory").read_text()) / 1024)


subprocess.run(FIT + ["--out", fitted], check=True, capture_output=True)
R = """
read <- function(n) readBin(file.path(FOLDER, n), "double", ROWS)
depth <- read("depth"); angle <- read("angle"); antler <- read("class"); mass <- read("mass")
f <- function() { l <- log(depth); m <- lm(log(mass) ~ l + angle + antler + l:angle + I(l^2)); vcov(m); m }
m <- f()
for (i in 1:2) { t <- system.time(f()); cat("fit|R lm", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n") }
l <- log(depth)
p <- function() exp(predict(m, data.frame(l = l, angle = angle, antler = antler), interval = "prediction"))
t <- system.time(p()); cat("intervals|R predict", t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n")
k <- ROWS %/% 10; ends <- factor(read("ends")[1:k])
z <- function(v) { v <- v[1:k]; (v - mean(v)) / sd(v) }
d <- data.frame(l = z(l), a = z(angle), c = z(antler), y = log(mass[1:k]), ends = ends)
told <- function(work, t) cat(work, t[["elapsed"]], t[["user.self"]] + t[["sys.self"]], "\\n")
told("multinomial|R nnet", system.time(nnet::multinom(ends ~ l + a + c, d, trace = FALSE, maxit = 1000)))
"""
seen = {}
for round in range(rounds):
    for line in subprocess.run([ours, str(folder)], capture_output=True, text=True, check=True).stdout.splitlines():
        work, value = line.rsplit(" ", 1)
        if work.startswith("fact "):
            facts[work[5:]] = float(value)
        elif work not in ("coefficient", "interval"):
            times.setdefault((work, "conchoid"), []).append(float(value))
        elif round == 0:
            print(line)
            if line.startswith(("coefficient", "interval")):
                seen.setdefault(work, []).append(float(value))
    if round == 0:
        print("numpy lstsq", lstsq(), "interval", whole()[2][0])
    if built:
        machine()
    for work, who, command in PROCESSES + (SLOW_PROCESSES if round % 3 == 0 else []):
        process(work, who, command)
    for work, name, f, calls in PEERS + (SLOW_PEERS if round % 3 == 0 else []):
        start, core = time.perf_counter(), time.process_time()
        for _ in range(calls):
            f()
        times.setdefault((work, name), []).append((time.perf_counter() - start) / calls)
        times.setdefault((work + "@core", name), []).append((time.process_time() - core) / calls)
    if shutil.which("Rscript") and round % 3 == 0:
        script = R.replace("FOLDER", repr(str(folder))).replace("ROWS", str(n))
        for line in subprocess.run(["Rscript", "-e", script], capture_output=True, text=True).stdout.splitlines():
            if "|" in line:
                work, rest = line.split("|")
                name, value, core = rest.strip().rsplit(" ", 2)
                times.setdefault((work, name), []).append(float(value))
                times.setdefault((work + "@core", name), []).append(float(core))

facts["slope of ln depth, conchoid"], facts["first upper end, conchoid"] = seen["coefficient"][1], seen["interval"][0]
cpu = next((l.split(":")[1].strip() for l in open("/proc/cpuinfo") if l.startswith("model name")), platform.machine())
caches = subprocess.run(["lscpu"], capture_output=True, text=True).stdout
cache = ", ".join(" ".join(l.split()) for l in caches.splitlines() if "cache" in l)
load = os.getloadavg()[0]
r_version = subprocess.run(["Rscript", "--version"], capture_output=True, text=True) if shutil.which("Rscript") else None
version = (r_version.stdout + r_version.stderr).strip() if r_version else "no R"
rustc = subprocess.run(["rustc", "--version"], capture_output=True, text=True).stdout.strip()
out = [
    "# Last run against what a user would run instead",
    "",
    f"{n:,} flakes, raw columns in memory, six coefficients (1, ln depth, angle, antler, ln depth x angle,",
    f"(ln depth)^2), medians of {rounds} interleaved rounds, features `parallel` and `simd`. Made by",
    "`benches/peers/run.sh`.",
    "",
    f"- {cpu}, {os.cpu_count()} cores; {cache}",
    f"- load average at the end {load:.1f}" + (" (the machine was busy: times are longer than they need be and ratios are noisy)" if load > 1.5 else ""),
    f"- {rustc}; Python {platform.python_version()}, numpy {np.__version__}, scipy {scipy.__version__}, statsmodels {statsmodels.__version__}, scikit-learn {sklearn.__version__}, polars {polars.__version__}, pandas {pandas.__version__}; {version}",
    "",
    "Wall: from start to end. Cores: seconds on all cores together, which neighbours on a busy machine stretch less;",
    "half of it is what two free cores would need at best. Ratios are theirs over ours.",
    "",
    "| work | who | wall, median s | wall, least s | ratio of medians | cores, median s | ratio of cores |",
    "|---|---|---|---|---|---|---|",
]
mine = {w: times[(w, "conchoid")] for w, who in times if who == "conchoid"}
for work in dict.fromkeys(w for w, _ in times):
    if work == "triad" or work.endswith("@core"):
        continue
    for (w, who), value in times.items():
        if w == work:
            a, c = statistics.median(value), min(value)
            k = statistics.median(times[(work + "@core", who)])
            r = (a / statistics.median(mine[work]), k / statistics.median(mine[work + "@core"]))
            out.append(f"| {work} | {who} | {a:.3g} | {c:.3g} | {r[0]:.1f} | {k:.3g} | {r[1]:.1f} |")
out += ["", "Whole processes (from start to exit), most memory in MB: "
        + "; ".join(f"{work} {who} {mb:.0f}" for (work, who), mb in sorted(peaks.items())) + "."]
out += ["", "To show that the same was fitted: " + "; ".join(f"{name} {value:.10g}" for name, value in facts.items()) + "."]
gb = 24 * 8e6 / min(times[("triad", "conchoid")]) / 1e9
gb_median = 24 * 8e6 / statistics.median(times[("triad", "conchoid")]) / 1e9
out += [
    "",
    f"Memory, a = b + 3c over 192 MB on two threads with ordinary stores, 24 bytes counted per element (a store also",
    f"reads its line first, so a third more moves): {gb:.1f} GB/s at best, {gb_median:.1f} GB/s in the median.",
    f"At the best rate the 32 bytes per flake of a fit take {32e-9 * n / gb * 1e3:.1f} ms, and the 48 bytes of an interval (24 read,",
    f"24 written) {48e-9 * n / gb * 1e3:.1f} ms.",
    "",
]
for notes in [here / "notes.md", here.parent / "growth.md"]:
    if notes.exists():
        out += [notes.read_text()]
text = "\n".join(out)
print(text)
pathlib.Path(results).write_text(text)
