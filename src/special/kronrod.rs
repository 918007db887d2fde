//! Integrals by 15 Kronrod points, with the difference from the 7 Gauss points among them as the doubt.

/// Points of the finer rule.
pub(crate) const POINTS: usize = 15;

/// The points of the rule in pairs from the ends to the middle.
pub(crate) fn node(k: usize) -> f64 {
    let x = KRONROD_NODES[k / 2];
    if k.is_multiple_of(2) { -x } else { x }
}

/// The integral over a panel of this half width from the values at its nodes, and how far the coarser rule is off.
pub(crate) fn rule(half: f64, at: impl Fn(usize) -> f64) -> (f64, f64) {
    let (mut fine, mut coarse) = (0.0, 0.0);
    for (i, w) in KRONROD_WEIGHTS.iter().enumerate() {
        let sum = if i == POINTS / 2 { at(POINTS - 1) } else { at(2 * i) + at(2 * i + 1) };
        fine += w * sum;
        if i % 2 == 1 {
            coarse += GAUSS_WEIGHTS[i / 2] * sum;
        }
    }
    (half * fine, half * (fine - coarse).abs())
}

/// The integral between two ends, and how far the coarser rule is off.
pub(crate) fn gauss_kronrod(from: f64, to: f64, f: impl Fn(f64) -> f64) -> (f64, f64) {
    let (centre, half) = (0.5 * (from + to), 0.5 * (to - from));
    rule(half, |k| f(centre + half * node(k)))
}

/// Nodes of the 15-point Kronrod rule on [-1, 1], the non-negative ones; every second belongs to the
/// 7-point Gauss rule. Piessens, de Doncker-Kapenga, Ueberhuber & Kahaner 1983, QUADPACK, routine QK15
/// (from memory; the tests integrate powers with them).
const KRONROD_NODES: [f64; 8] = [
    0.991_455_371_120_812_6,
    0.949_107_912_342_758_5,
    0.864_864_423_359_769_1,
    0.741_531_185_599_394_4,
    0.586_087_235_467_691_1,
    0.405_845_151_377_397_2,
    0.207_784_955_007_898_47,
    0.0,
];
/// Weights of the Kronrod rule, same source.
const KRONROD_WEIGHTS: [f64; 8] = [
    0.022_935_322_010_529_224,
    0.063_092_092_629_978_56,
    0.104_790_010_322_250_18,
    0.140_653_259_715_525_92,
    0.169_004_726_639_267_9,
    0.190_350_578_064_785_4,
    0.204_432_940_075_298_9,
    0.209_482_141_084_727_82,
];
/// Weights of the Gauss rule, same source.
const GAUSS_WEIGHTS: [f64; 4] =
    [0.129_484_966_168_869_7, 0.279_705_391_489_276_64, 0.381_830_050_505_118_9, 0.417_959_183_673_469_4];

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rules_integrate_powers_exactly() {
        for degree in (0..=22).step_by(2) {
            let exact = 2.0 / (f64::from(degree) + 1.0);
            let (mut fine, mut coarse) = (0.0, 0.0);
            for (i, (x, w)) in KRONROD_NODES.iter().zip(&KRONROD_WEIGHTS).enumerate() {
                let sum = if *x == 0.0 { x.powi(degree) } else { 2.0 * x.powi(degree) };
                fine += w * sum;
                if i % 2 == 1 {
                    coarse += GAUSS_WEIGHTS[i / 2] * sum;
                }
            }
            assert!((fine - exact).abs() < 1e-15, "degree {degree}: {fine} against {exact}");
            if degree <= 12 {
                assert!((coarse - exact).abs() < 1e-15, "degree {degree}: {coarse} against {exact}");
            }
        }
    }
}
