//! Plain loops over slices, compiled for the widest registers that the processor at hand has.
//!
//! A `Kernel` is a loop in ordinary Rust; `run` calls a copy of it compiled for AVX2 (feature `simd`, chosen
//! while the program runs) or the portable one. Nothing is contracted into a fused multiply-add and every sum
//! is taken in a fixed order, so all copies give the same bytes.
//!
//! Logarithm and exponential follow FreeBSD's `e_log.c` and `e_exp.c` (Sun Microsystems 1993, 2004: the reductions,
//! the coefficients, an error under 1 unit in the last place), with every branch turned into a choice so that
//! the loop can be taken several numbers at a time. Crates of vector functions choose their instructions when
//! they are compiled, and so would stay at two numbers at a time in a portable build. Measured against 40
//! digits (`tests.rs` beside this file): logarithm within 0.57, exponential within 0.77 units in the last place.

/// A loop that [`run`] may compile for wider registers. `go` and what it calls must be `#[inline(always)]`.
pub(crate) trait Kernel {
    type Output;
    fn go(self) -> Self::Output;
}

/// Runs a kernel with what the processor has.
#[cfg(feature = "simd")]
pub(crate) fn run<K: Kernel>(kernel: K) -> K::Output {
    struct Wide<K>(K);
    impl<K: Kernel> pulp::NullaryFnOnce for Wide<K> {
        type Output = K::Output;
        #[inline(always)]
        fn call(self) -> K::Output {
            self.0.go()
        }
    }
    pulp::Arch::new().dispatch(Wide(kernel))
}

/// Runs a kernel.
#[cfg(not(feature = "simd"))]
pub(crate) fn run<K: Kernel>(kernel: K) -> K::Output {
    kernel.go()
}

/// Four numbers at a time: for loops whose running sums the compiler would not keep in one wide register.
pub(crate) trait Four: Copy {
    type Pack: Copy;
    fn load(self, v: &[f64; 4]) -> Self::Pack;
    fn all(self, v: f64) -> Self::Pack;
    fn mul(self, a: Self::Pack, b: Self::Pack) -> Self::Pack;
    fn add(self, a: Self::Pack, b: Self::Pack) -> Self::Pack;
    fn sub(self, a: Self::Pack, b: Self::Pack) -> Self::Pack;
    fn store(self, v: Self::Pack) -> [f64; 4];
}

#[derive(Clone, Copy)]
struct Portable;

impl Four for Portable {
    type Pack = [f64; 4];
    #[inline(always)]
    fn load(self, v: &[f64; 4]) -> [f64; 4] {
        *v
    }
    #[inline(always)]
    fn all(self, v: f64) -> [f64; 4] {
        [v; 4]
    }
    #[inline(always)]
    fn mul(self, a: [f64; 4], b: [f64; 4]) -> [f64; 4] {
        [a[0] * b[0], a[1] * b[1], a[2] * b[2], a[3] * b[3]]
    }
    #[inline(always)]
    fn add(self, a: [f64; 4], b: [f64; 4]) -> [f64; 4] {
        [a[0] + b[0], a[1] + b[1], a[2] + b[2], a[3] + b[3]]
    }
    #[inline(always)]
    fn sub(self, a: [f64; 4], b: [f64; 4]) -> [f64; 4] {
        [a[0] - b[0], a[1] - b[1], a[2] - b[2], a[3] - b[3]]
    }
    #[inline(always)]
    fn store(self, v: [f64; 4]) -> [f64; 4] {
        v
    }
}

#[cfg(all(feature = "simd", target_arch = "x86_64"))]
mod avx2 {
    use super::{Four, Kernel4};
    use pulp::x86::V3;
    use pulp::{bytemuck::cast, f64x4};

    impl Four for V3 {
        type Pack = f64x4;
        #[inline(always)]
        fn load(self, v: &[f64; 4]) -> f64x4 {
            cast(*v)
        }
        #[inline(always)]
        fn all(self, v: f64) -> f64x4 {
            self.splat_f64x4(v)
        }
        #[inline(always)]
        fn mul(self, a: f64x4, b: f64x4) -> f64x4 {
            self.mul_f64x4(a, b)
        }
        #[inline(always)]
        fn add(self, a: f64x4, b: f64x4) -> f64x4 {
            self.add_f64x4(a, b)
        }
        #[inline(always)]
        fn sub(self, a: f64x4, b: f64x4) -> f64x4 {
            self.sub_f64x4(a, b)
        }
        #[inline(always)]
        fn store(self, v: f64x4) -> [f64; 4] {
            cast(v)
        }
    }

    pub(super) struct Wide<K>(pub(super) K, pub(super) V3);

    impl<K: Kernel4> pulp::NullaryFnOnce for Wide<K> {
        type Output = K::Output;
        #[inline(always)]
        fn call(self) -> K::Output {
            self.0.go(self.1)
        }
    }
}

/// A loop over packs of four. `go` and what it calls must be `#[inline(always)]`.
pub(crate) trait Kernel4 {
    type Output;
    fn go<F: Four>(self, four: F) -> Self::Output;
}

/// Runs a kernel of packs with what the processor has.
pub(crate) fn run4<K: Kernel4>(kernel: K) -> K::Output {
    #[cfg(all(feature = "simd", target_arch = "x86_64"))]
    if let Some(wide) = pulp::x86::V3::try_new() {
        return wide.vectorize(avx2::Wide(kernel, wide));
    }
    kernel.go(Portable)
}

/// High and low part of ln 2: k times the first is exact.
const LN2: [f64; 2] = [6.931_471_803_691_238e-1, 1.908_214_929_270_587_7e-10];

/// `e_log.c`: Lg1 to Lg7.
const LOG: [f64; 7] = [
    6.666_666_666_666_735e-1,
    3.999_999_999_940_942e-1,
    2.857_142_874_366_239e-1,
    2.222_219_843_214_978_4e-1,
    1.818_357_216_161_805e-1,
    1.531_383_769_920_937_3e-1,
    1.479_819_860_511_658_6e-1,
];

/// `e_exp.c`: P1 to P5.
const EXP: [f64; 5] = [
    1.666_666_666_666_660_2e-1,
    -2.777_777_777_701_559_3e-3,
    6.613_756_321_437_934e-5,
    -1.653_390_220_546_525_2e-6,
    4.138_136_797_057_238_5e-8,
];

const TWO_52: f64 = 4_503_599_627_370_496.0;
/// Bits of sqrt(1/2), rounded down to its upper half.
const ROOT_HALF: u64 = 0x3fe6_a09e_0000_0000;
const ONE: u64 = 0x3ff0_0000_0000_0000;

/// ln v for v above 0; not a number otherwise.
#[inline(always)]
pub(crate) fn ln(v: f64) -> f64 {
    // numbers too small to be normal are scaled up first
    let small = v < f64::MIN_POSITIVE;
    let scaled = if small { v * (TWO_52 * 4.0) } else { v };
    let shift = if small { -54.0 } else { 0.0 };
    let bits = scaled.to_bits().wrapping_add(ONE - ROOT_HALF);
    // the exponent as a number: its bits below those of 2^52
    let k = f64::from_bits((bits >> 52) | TWO_52.to_bits()) - (TWO_52 + 1023.0) + shift;
    let f = f64::from_bits((bits & 0x000f_ffff_ffff_ffff).wrapping_add(ROOT_HALF)) - 1.0;
    let s = f / (2.0 + f);
    let z = s * s;
    let w = z * z;
    let even = w * (LOG[1] + w * (LOG[3] + w * LOG[5]));
    let odd = z * (LOG[0] + w * (LOG[2] + w * (LOG[4] + w * LOG[6])));
    let half = 0.5 * f * f;
    let ln = k * LN2[0] - ((half - (s * (half + (even + odd)) + k * LN2[1])) - f);
    let ln = if v == f64::INFINITY { v } else { ln };
    if v > 0.0 { ln } else { f64::NAN }
}

/// e^v; infinite above 709.78, down to the smallest numbers there are below -708.4, then 0.
#[inline(always)]
pub(crate) fn exp(v: f64) -> f64 {
    const ROUND: f64 = 1.5 * TWO_52;
    // written so that not-a-number passes through
    let x = if v > 720.0 { 720.0 } else { v };
    let x = if x < -760.0 { -760.0 } else { x };
    let turned = x * std::f64::consts::LOG2_E + ROUND;
    let k = turned - ROUND;
    let (high, low) = (x - k * LN2[0], k * LN2[1]);
    let r = high - low;
    let t = r * r;
    let c = r - t * (EXP[0] + t * (EXP[1] + t * (EXP[2] + t * (EXP[3] + t * EXP[4]))));
    let y = 1.0 + ((r * c) / (2.0 - c) - low + high);
    // 2^k in two factors, so that the largest and the smallest numbers are reached
    let whole = turned.to_bits().wrapping_sub(ROUND.to_bits()).wrapping_add(4096);
    let half = whole >> 1;
    let first = half.wrapping_sub(2048 - 1023) << 52;
    let second = (whole - half).wrapping_sub(2048 - 1023) << 52;
    y * f64::from_bits(first) * f64::from_bits(second)
}

/// Changes each number by the one beside it.
struct Each<'a, F> {
    of: &'a [f64],
    out: &'a mut [f64],
    change: F,
}

impl<F: Fn(&mut f64, f64)> Kernel for Each<'_, F> {
    type Output = ();
    #[inline(always)]
    fn go(self) {
        for (o, v) in self.out.iter_mut().zip(self.of) {
            (self.change)(o, *v);
        }
    }
}

/// Changes each number of `out` by the one beside it, as far as the shorter of the two goes.
pub(crate) fn each(of: &[f64], out: &mut [f64], change: impl Fn(&mut f64, f64)) {
    run(Each { of, out, change });
}

/// Sums what `f` makes of each number.
struct SumOf<'a, F>(&'a [f64], F);

impl<F: Fn(f64) -> f64> Kernel for SumOf<'_, F> {
    type Output = f64;
    #[inline(always)]
    fn go(self) -> f64 {
        let SumOf(of, f) = self;
        let mut sums = [0.0; 16];
        let (some, rest) = of.as_chunks::<16>();
        for some in some {
            for k in 0..16 {
                sums[k] += f(some[k]);
            }
        }
        for (s, v) in sums.iter_mut().zip(rest) {
            *s += f(*v);
        }
        sums.into_iter().sum()
    }
}

/// The sum of what `f` makes of each number, in sixteen fixed lanes.
pub(crate) fn sum_of(numbers: &[f64], f: impl Fn(f64) -> f64) -> f64 {
    run(SumOf(numbers, f))
}

/// Natural logarithm of each number above 0, into `out`, as far as the shorter of the two goes; not a
/// number where there is no logarithm. Within one unit in the last place.
pub(crate) fn ln_into(of: &[f64], out: &mut [f64]) {
    each(of, out, |o, v| *o = ln(v));
}

/// Common logarithm of one number, as in [`log10_into`].
#[inline(always)]
pub(crate) fn log10(v: f64) -> f64 {
    ln(v) * std::f64::consts::LOG10_E
}

/// Common logarithm of each number above 0: [`ln_into`] times log10 e, so within two units in the last place.
pub(crate) fn log10_into(of: &[f64], out: &mut [f64]) {
    ln_into(of, out);
    out.iter_mut().for_each(|v| *v *= std::f64::consts::LOG10_E);
}

/// Exponential of each number, into `out`, as far as the shorter of the two goes. Within one unit in the
/// last place.
pub(crate) fn exp_into(of: &[f64], out: &mut [f64]) {
    each(of, out, |o, v| *o = exp(v));
}

#[cfg(test)]
mod tests;
