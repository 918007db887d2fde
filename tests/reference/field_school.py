"""Invents the field school's table, examples/data/field-school.csv. Nobody measured these flakes.

Scenario: a field school on chalk downland, whose four students compare quartzite hammerstones with red
deer antler on local flint. Sizes follow a made-up power law in platform depth and exterior platform angle
with made-up scatter, so the table exercises the tools and teaches nothing about stone.

Run from the project root:  python3 tests/reference/field_school.py
The same seed gives the same bytes on every Python 3 (random.Random, Mersenne twister).
"""

import math
import random

COLUMNS = (
    "flake,knapper,percussor,stone,platform_depth_mm,platform_width_mm,exterior_platform_angle_deg,"
    "angle_of_blow_deg,blow_lands_on,length_mm,width_mm,thickness_mm,mass_g,termination"
)


def main():
    rng = random.Random(1909)
    knappers = ["Amina", "Bertil", "Catrin", "Dov"]
    hands = {name: rng.gauss(0.0, 0.10) for name in knappers}
    lines = [COLUMNS]
    for i in range(24):
        knapper = knappers[i % 4]
        antler = (i // 4) % 2 == 1
        depth = math.exp(rng.gauss(1.45 if antler else 1.85, 0.38))
        angle = round(min(98.0, max(52.0, rng.gauss(74.0, 9.0))))
        width = depth * math.exp(rng.gauss(0.95, 0.28))
        blow = 5 * round(rng.gauss(25.0 if antler else 12.0, 8.0) / 5)
        edge = rng.random() < (0.55 if antler else 0.15)
        size = 0.75 * math.log(depth) + 0.011 * (angle - 74.0) + hands[knapper]
        length = math.exp(2.45 + size + (0.14 if antler else 0.0) + rng.gauss(0.0, 0.20))
        flake_width = math.exp(2.35 + 0.9 * size + rng.gauss(0.0, 0.20))
        thickness = math.exp(0.62 + size - (0.18 if antler else 0.0) + rng.gauss(0.0, 0.18))
        mass = 0.45 * 2.6e-3 * length * flake_width * thickness * math.exp(rng.gauss(0.0, 0.10))
        draw = rng.random()
        termination = "feather" if draw < 0.80 else "hinge" if draw < 0.93 else "step"
        lines.append(
            f"C{i + 1:02d},{knapper},{'antler' if antler else 'quartzite'},flint,{depth:.1f},{width:.1f},"
            f"{angle},{blow},{'edge' if edge else 'platform'},{length:.1f},{flake_width:.1f},"
            f"{thickness:.1f},{mass:.2f},{termination}"
        )
    with open("examples/data/field-school.csv", "w", newline="") as out:
        out.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
