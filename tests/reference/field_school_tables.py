"""Invents three tables as a dig keeps them, for examples/data. Python's standard library only; seeded.

The scenario is the field school on chalk downland (examples/data/README.md). Nobody measured these pieces.

- chalk-pit-notes.csv    semicolons and decimal commas, notes in Windows-1252 beside a few in UTF-8, names run together
- spoil-heap.csv         a first column without a name, #VALUE! where a formula failed, centimetres
- trench-two.csv         all sorts of pieces in one table, zeros for what was not measured, words of its own

Run: python3 tests/reference/field_school_tables.py (writes into examples/data)
"""

import math
import random
from pathlib import Path

HERE = Path(__file__).resolve().parent.parent.parent / "examples" / "data"


def flake(rng, percussor):
    """One invented flake: platform, sizes, how it ends."""
    depth = math.exp(rng.gauss(1.75, 0.45))
    width = depth * math.exp(rng.gauss(0.95, 0.3))
    angle = min(95.0, max(50.0, rng.gauss(74, 8)))
    push = 0.12 if percussor == "antler" else 0.0
    length = math.exp(2.35 + 0.62 * math.log(depth) + 0.012 * (angle - 74) + push + rng.gauss(0, 0.25))
    breadth = length * math.exp(rng.gauss(-0.25, 0.22))
    thickness = math.exp(0.75 + 0.6 * math.log(depth) + rng.gauss(0, 0.2))
    mass = 0.0011 * length * breadth * thickness * math.exp(rng.gauss(0, 0.12))
    ends = rng.choices(["feather", "hinge", "step", "overshot"], [0.78, 0.12, 0.06, 0.04])[0]
    return depth, width, round(angle), length, breadth, thickness, mass, ends


def comma(value, digits=1):
    return f"{value:.{digits}f}".replace(".", ",")


def chalk_pit():
    rng = random.Random(20240517)
    rows = [b"FindNo;PlatformThickness;PlatformWidth;ExteriorPlatformAngle;TechLength;Weight;Hammer;Notes"]
    old = ["café table", "½ gallon bag", "Düne – oben", "“soft” blow", "patina 30 %…"]
    for i in range(1, 241):
        percussor = rng.choice(["quartzite", "antler"])
        d, w, a, l, b, t, m, e = flake(rng, percussor)
        cells = [f"CP{i:03}", comma(d), comma(w), str(a), comma(l), comma(m, 2), percussor]
        row = ";".join(cells).encode("ascii")
        if i % 17 == 0:
            row += b";" + rng.choice(old).encode("cp1252")
        elif i % 29 == 0:
            row += b";" + "déjà recollé".encode("utf-8")
        else:
            row += b";"
        rows.append(row)
    (HERE / "chalk-pit-notes.csv").write_bytes(b"\r\n".join(rows) + b"\r\n")


def spoil_heap():
    rng = random.Random(20240518)
    rows = ["Platform depth (cm),EPA,Length (cm),Width (cm),Mass,Index,Termination"]
    for i in range(1, 161):
        d, w, a, l, b, t, m, e = flake(rng, "quartzite")
        depth = "#VALUE!" if i % 23 == 0 else f"{d / 10:.2f}"
        mass = "#VALUE!" if i % 31 == 0 else f"{m:.1f}"
        index = "#DIV/0!" if "#" in depth else f"{l / d:.2f}"
        cells = [str(i), depth, str(a), f"{l / 10:.2f}", f"{b / 10:.2f}", mass, index, e]
        rows.append(",".join(cells))
    (HERE / "spoil-heap.csv").write_text("\n".join(rows) + "\n", encoding="ascii")


def trench_two():
    rng = random.Random(20240519)
    rows = ["Find,Layer,Class,Preservation,PlatformThick,PlatWidth,PlatShape,EPA,MaxLength,MidWidth,MidThick,Weight,Retouch"]
    kinds = ["flake", "flake", "flake", "flake", "core", "shatter", "tool"]
    for i in range(1, 401):
        kind = rng.choice(kinds)
        layer = rng.choice(["topsoil", "I", "I", "II", "II", "II"])
        d, w, a, l, b, t, m, e = flake(rng, rng.choice(["quartzite", "antler"]))
        if kind in ("core", "shatter"):
            m = m * (8 if kind == "core" else 0.4)
            rows.append(f"T{i:03},{layer},{kind},,0,0,,0,{l:.1f},{b:.1f},{t:.1f},{m:.1f},n")
            continue
        state = rng.choices(["Whole", "Prox", "Dist", "Med"], [0.6, 0.2, 0.14, 0.06])[0]
        bears = state in ("Whole", "Prox")
        shape = rng.choices(["oval", "triangle", "rectangle"], [0.6, 0.25, 0.15])[0]
        crushed = rng.random() < 0.08
        depth = f"{d:.1f}" if bears and not crushed else "0"
        width = f"{w:.1f}" if bears and not crushed else "0"
        angle = str(a) if bears and not crushed else "0"
        part = 1.0 if state == "Whole" else rng.uniform(0.3, 0.8)
        retouched = "y" if kind == "tool" else "n"
        part *= rng.uniform(0.7, 0.95) if kind == "tool" else 1.0
        sizes = f"{l * part:.1f},{b:.1f},{t:.1f}"
        rows.append(f"T{i:03},{layer},{kind},{state},{depth},{width},{shape if bears else ''},{angle},{sizes},{m * part:.1f},{retouched}")
    (HERE / "trench-two.csv").write_text("\n".join(rows) + "\n", encoding="ascii")


if __name__ == "__main__":
    chalk_pit()
    spoil_heap()
    trench_two()
