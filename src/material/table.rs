//! The table of materials: what is flaked and what strikes, each number with its range and its own source.
//!
//! A stone that is both (quartzite, flint, basalt) stands here once. What is flaked needs a toughness.

use super::class::{PercussorClass, TipBehaviour};
use super::plain_name;
use super::property::{MEMORY, Property, p};

/// One material.
pub(super) struct Material {
    pub(super) name: &'static str,
    /// Other names of it as a stone that is flaked; none where it is not.
    pub(super) flaked: Option<&'static [&'static str]>,
    /// What it is as a percussor; none where it is not.
    pub(super) strikes: Option<Strikes>,
    pub(super) density_kg_m3: Property,
    pub(super) youngs_modulus_pa: Property,
    pub(super) poisson_ratio: Property,
    pub(super) toughness_pa_sqrt_m: Option<Property>,
    pub(super) yield_strength_pa: Option<Property>,
}

/// A material as a percussor.
pub(super) struct Strikes {
    pub(super) other_names: &'static [&'static str],
    pub(super) class: PercussorClass,
    pub(super) tip_behaviour: TipBehaviour,
}

impl Material {
    /// All its names as a stone.
    pub(super) fn stone_names(&'static self) -> impl Iterator<Item = &'static str> {
        self.flaked.into_iter().flat_map(|others| std::iter::once(self.name).chain(others.iter().copied()))
    }

    /// All its names as a percussor.
    pub(super) fn percussor_names(&'static self) -> impl Iterator<Item = &'static str> {
        let strikes = self.strikes.iter();
        strikes.flat_map(|s| std::iter::once(self.name).chain(s.other_names.iter().copied()))
    }

    /// The one that bears a name among those that `names` gives.
    pub(super) fn find<N: Iterator<Item = &'static str>>(
        name: &str,
        names: impl Fn(&'static Material) -> N,
    ) -> Option<&'static Material> {
        let plain = plain_name(name);
        MATERIALS.iter().find(|m| names(m).any(|n| n == plain))
    }
}

const PORCELAIN: &str = "materials database comparison page for technical porcelain";
const ASSUMED: &str = "an assumption, no source";
const LECTURE: &str = "a university lecture table (secondary); range from memory";
const ANTLER_POISSON: Property = p(0.30, 0.25, 0.40, ASSUMED);
const ANTLER_DENSITY: Property = p(1750.0, 1600.0, 1900.0, "from memory, of the cortex");
const ANTLER_YIELD: Property = p(120e6, 100e6, 150e6, MEMORY);
const ANTLER_TOUGHNESS: Property = p(
    5.0e6,
    3.0e6,
    10.3e6,
    "10.31 wet, across the grain (Chen, Sheppard, Curiel & McKittrick, MRS Proc., abstract); about half dry \
     or along the grain, from memory",
);
const QUARTZ_MODULUS: Property = p(
    94.5e9,
    79e9,
    103e9,
    "isotropic average of bulk 37 and shear 44 GPa, computed (constants seen in a secondary table); range by \
     direction from memory",
);
const QUARTZ_POISSON: Property =
    p(0.074, 0.06, 0.12, "isotropic average of bulk 37 and shear 44 GPa, computed; range an assumption");
const QUARTZ_TOUGHNESS: Property =
    p(1.0e6, 0.8e6, 1.5e6, "from memory; depends on the direction of the crystal");
const QUARTZ_DENSITY: Property = p(2650.0, 2630.0, 2660.0, "a secondary table for 2650; range an assumption");

/// All materials.
pub(super) static MATERIALS: &[Material] = &[
    Material {
        name: "flint",
        flaked: Some(&["chalk-flint"]),
        strikes: Some(Strikes {
            other_names: &["flint-hammerstone", "flint-nodule"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Elastic,
        }),
        density_kg_m3: p(2600.0, 2550.0, 2650.0, MEMORY),
        youngs_modulus_pa: p(75e9, 60e9, 90e9, MEMORY),
        poisson_ratio: p(0.17, 0.10, 0.25, MEMORY),
        toughness_pa_sqrt_m: Some(p(1.5e6, 1.0e6, 2.1e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "chert",
        flaked: Some(&["jasper"]),
        strikes: None,
        density_kg_m3: p(2600.0, 2500.0, 2650.0, MEMORY),
        youngs_modulus_pa: p(65e9, 40e9, 85e9, MEMORY),
        poisson_ratio: p(0.17, 0.10, 0.25, MEMORY),
        toughness_pa_sqrt_m: Some(p(1.6e6, 1.1e6, 2.5e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "heat-treated-chert",
        flaked: Some(&["treated-chert", "heated-chert", "heat-treated"]),
        strikes: None,
        density_kg_m3: p(2600.0, 2500.0, 2650.0, "as unheated chert, an assumption"),
        youngs_modulus_pa: p(65e9, 40e9, 85e9, "as unheated chert, an assumption"),
        poisson_ratio: p(0.17, 0.10, 0.25, "as unheated chert, an assumption"),
        toughness_pa_sqrt_m: Some(p(
            0.9e6,
            0.7e6,
            1.5e6,
            "0.55 (treated over untreated jasper: G. Quinn, Am. Ceram. Soc. Bull., Jan/Feb 2013, p. 29) times \
             1.6 from memory; range from memory; other stones went the other way",
        )),
        yield_strength_pa: None,
    },
    Material {
        name: "obsidian",
        flaked: Some(&["volcanic-glass"]),
        strikes: None,
        density_kg_m3: p(2400.0, 2330.0, 2550.0, MEMORY),
        youngs_modulus_pa: p(70e9, 63e9, 78e9, MEMORY),
        poisson_ratio: p(0.20, 0.16, 0.25, MEMORY),
        toughness_pa_sqrt_m: Some(p(0.8e6, 0.6e6, 1.1e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "quartzite",
        flaked: Some(&[]),
        strikes: Some(Strikes {
            other_names: &["hammerstone", "quartzite-hammerstone", "stone", "quartz"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Elastic,
        }),
        density_kg_m3: p(2650.0, 2600.0, 2700.0, MEMORY),
        youngs_modulus_pa: p(70e9, 45e9, 95e9, MEMORY),
        poisson_ratio: p(0.15, 0.08, 0.22, MEMORY),
        toughness_pa_sqrt_m: Some(p(2.0e6, 1.2e6, 2.8e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "silcrete",
        flaked: Some(&[]),
        strikes: None,
        density_kg_m3: p(2550.0, 2400.0, 2650.0, MEMORY),
        youngs_modulus_pa: p(60e9, 35e9, 80e9, MEMORY),
        poisson_ratio: p(0.18, 0.10, 0.25, "an assumption, no source"),
        toughness_pa_sqrt_m: Some(p(1.7e6, 0.9e6, 2.7e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "vein-quartz",
        flaked: Some(&["quartz", "milky-quartz"]),
        strikes: None,
        density_kg_m3: QUARTZ_DENSITY,
        youngs_modulus_pa: QUARTZ_MODULUS,
        poisson_ratio: QUARTZ_POISSON,
        toughness_pa_sqrt_m: Some(QUARTZ_TOUGHNESS),
        yield_strength_pa: None,
    },
    Material {
        name: "crystal-quartz",
        flaked: Some(&["quartz-crystal", "rock-crystal"]),
        strikes: None,
        density_kg_m3: QUARTZ_DENSITY,
        youngs_modulus_pa: QUARTZ_MODULUS,
        poisson_ratio: QUARTZ_POISSON,
        toughness_pa_sqrt_m: Some(QUARTZ_TOUGHNESS),
        yield_strength_pa: None,
    },
    Material {
        name: "basalt",
        flaked: Some(&[]),
        strikes: Some(Strikes {
            other_names: &["basalt-hammerstone"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Elastic,
        }),
        density_kg_m3: p(2900.0, 2700.0, 3050.0, MEMORY),
        youngs_modulus_pa: p(
            78e9,
            59e9,
            97e9,
            "Schultz, limits on the strength of jointed basaltic rock masses, abstract: 78 +/- 19 GPa, one \
             standard deviation",
        ),
        poisson_ratio: p(0.25, 0.20, 0.30, "Schultz, as for the modulus, abstract: 0.25 +/- 0.05"),
        toughness_pa_sqrt_m: Some(p(
            2.7e6,
            1.8e6,
            3.2e6,
            "Icelandic basalt by the ISRM short rod method, 2.71, page of a research report (unit implied); \
             range from memory",
        )),
        yield_strength_pa: None,
    },
    Material {
        name: "porcelain",
        flaked: Some(&["engineering-porcelain", "technical-porcelain", "insulator"]),
        strikes: None,
        density_kg_m3: p(2500.0, 2300.0, 3000.0, PORCELAIN),
        youngs_modulus_pa: p(100e9, 67e9, 150e9, PORCELAIN),
        poisson_ratio: p(0.17, 0.15, 0.20, "materials database comparison page: 0.17; range an assumption"),
        toughness_pa_sqrt_m: Some(p(
            2.0e6,
            1.5e6,
            2.7e6,
            "materials database comparison page: 2.0; range an assumption",
        )),
        yield_strength_pa: None,
    },
    Material {
        name: "table-porcelain",
        flaked: Some(&["china", "feldspathic-porcelain", "porcelain-table"]),
        strikes: None,
        density_kg_m3: p(2400.0, 2300.0, 2500.0, "one table seen for the typical value; range an assumption"),
        youngs_modulus_pa: p(70e9, 55e9, 80e9, MEMORY),
        poisson_ratio: p(0.20, 0.17, 0.23, MEMORY),
        toughness_pa_sqrt_m: Some(p(1.1e6, 0.8e6, 1.5e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "soda-lime-glass",
        flaked: Some(&["glass", "plate-glass", "window-glass", "bottle-glass", "soda-lime"]),
        strikes: None,
        density_kg_m3: p(
            2500.0,
            2400.0,
            2530.0,
            "materials database page for annealed soda-lime glass; encyclopedia table",
        ),
        youngs_modulus_pa: p(
            72e9,
            70e9,
            74e9,
            "materials database page for annealed soda-lime glass (71 GPa); encyclopedia table (72 and 74 GPa)",
        ),
        poisson_ratio: p(
            0.23,
            0.20,
            0.24,
            "materials database page for annealed soda-lime glass; range from memory",
        ),
        toughness_pa_sqrt_m: Some(p(
            0.75e6,
            0.70e6,
            0.82e6,
            "materials database page for annealed soda-lime glass; encyclopedia table; range from memory",
        )),
        yield_strength_pa: None,
    },
    Material {
        name: "granite",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["granite-hammerstone"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Elastic,
        }),
        density_kg_m3: p(2650.0, 2600.0, 2750.0, MEMORY),
        youngs_modulus_pa: p(50e9, 30e9, 75e9, LECTURE),
        poisson_ratio: p(0.25, 0.15, 0.35, MEMORY),
        toughness_pa_sqrt_m: Some(p(1.6e6, 0.8e6, 2.5e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "limestone",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["limestone-hammerstone"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Crushes,
        }),
        density_kg_m3: p(2650.0, 2400.0, 2710.0, MEMORY),
        youngs_modulus_pa: p(50e9, 25e9, 75e9, MEMORY),
        poisson_ratio: p(0.27, 0.20, 0.32, MEMORY),
        toughness_pa_sqrt_m: Some(p(1.0e6, 0.5e6, 1.6e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "sandstone",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["sandstone-hammerstone"],
            class: PercussorClass::Stone,
            tip_behaviour: TipBehaviour::Crushes,
        }),
        density_kg_m3: p(2300.0, 2100.0, 2600.0, MEMORY),
        youngs_modulus_pa: p(20e9, 8e9, 40e9, LECTURE),
        poisson_ratio: p(0.22, 0.12, 0.35, MEMORY),
        toughness_pa_sqrt_m: Some(p(0.8e6, 0.3e6, 1.5e6, MEMORY)),
        yield_strength_pa: None,
    },
    Material {
        name: "red-deer-antler",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["antler", "deer-antler", "dry-antler", "antler-billet"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: ANTLER_DENSITY,
        youngs_modulus_pa: p(
            15e9,
            11e9,
            18e9,
            "air-dry, from memory; agrees with 12 % below wet deer long bone (Currey, Landete-Castillejos, \
             Estevez, Olguin, Garcia & Gallego 2009, Open Bone J., abstract) and wet bone at 15 to 20 GPa from \
             memory",
        ),
        poisson_ratio: ANTLER_POISSON,
        toughness_pa_sqrt_m: Some(ANTLER_TOUGHNESS),
        yield_strength_pa: Some(ANTLER_YIELD),
    },
    Material {
        name: "wet-deer-antler",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["wet-antler", "soaked-antler"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: p(1850.0, 1700.0, 1950.0, MEMORY),
        youngs_modulus_pa: p(
            7.5e9,
            5.7e9,
            9.3e9,
            "Rajaram & Ramanathan 1982, Calcif. Tissue Int. 34:301, abstract: 7.5 +/- 0.9 GPa, deer, in \
             tension, read as wet; range two standard deviations",
        ),
        poisson_ratio: ANTLER_POISSON,
        toughness_pa_sqrt_m: Some(ANTLER_TOUGHNESS),
        yield_strength_pa: Some(p(100e6, 70e6, 130e6, "from memory, below dry antler by assumption")),
    },
    Material {
        name: "wapiti-antler",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["elk-antler", "wapiti"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: ANTLER_DENSITY,
        youngs_modulus_pa: p(
            8e9,
            5e9,
            12e9,
            "from memory of Chen, Stokes & McKittrick 2009, Acta Biomater. 5:693, dry, along the grain; looks \
             low beside red deer, the method of test differs",
        ),
        poisson_ratio: ANTLER_POISSON,
        toughness_pa_sqrt_m: Some(ANTLER_TOUGHNESS),
        yield_strength_pa: Some(ANTLER_YIELD),
    },
    Material {
        name: "moose-antler",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["moose"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: ANTLER_DENSITY,
        youngs_modulus_pa: p(
            11.6e9,
            9e9,
            14e9,
            "from memory of Blob & Snelgrove 2006, J. Morphol. 267:1075; range from memory",
        ),
        poisson_ratio: ANTLER_POISSON,
        toughness_pa_sqrt_m: Some(p(5.0e6, 3.0e6, 10.3e6, "as wapiti antler, an assumption")),
        yield_strength_pa: Some(ANTLER_YIELD),
    },
    Material {
        name: "bone",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["long-bone", "bone-billet"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: p(2000.0, 1850.0, 2100.0, MEMORY),
        youngs_modulus_pa: p(
            17e9,
            10e9,
            25e9,
            "encyclopedia entry (commonest 15, limits 6 and 45 GPa); range from memory",
        ),
        poisson_ratio: p(0.30, 0.25, 0.40, "an assumption; range from memory"),
        toughness_pa_sqrt_m: Some(p(
            5.0e6,
            2.0e6,
            6.35e6,
            "6.35 bovine femur, wet, across the grain (Chen, Sheppard, Curiel & McKittrick, MRS Proc., \
             abstract); 2 to 4 along, from memory; the typical value lies between",
        )),
        yield_strength_pa: Some(p(150e6, 120e6, 200e6, MEMORY)),
    },
    Material {
        name: "boxwood",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["wood", "boxwood-along-grain", "hardwood", "wooden-billet"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Crushes,
        }),
        density_kg_m3: p(970.0, 900.0, 1050.0, "two editions of one wood database (965, 975); range assumed"),
        youngs_modulus_pa: p(
            12.3e9,
            9e9,
            17.2e9,
            "along the grain, two editions of one wood database (12.3, 17.2 GPa); low end an assumption",
        ),
        poisson_ratio: p(0.35, 0.25, 0.45, ASSUMED),
        toughness_pa_sqrt_m: Some(p(1.7e6, 1.0e6, 3.0e6, "from memory, along the grain")),
        yield_strength_pa: Some(p(60e6, 40e6, 80e6, "crushing along the grain, from memory")),
    },
    Material {
        name: "boxwood-across-grain",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["wood-across-grain", "hardwood-across-grain"],
            class: PercussorClass::Organic,
            tip_behaviour: TipBehaviour::Crushes,
        }),
        density_kg_m3: p(970.0, 900.0, 1050.0, "two editions of one wood database (965, 975); range assumed"),
        youngs_modulus_pa: p(1.2e9, 0.6e9, 2.0e9, ASSUMED),
        poisson_ratio: p(0.40, 0.30, 0.45, ASSUMED),
        toughness_pa_sqrt_m: Some(p(0.5e6, 0.3e6, 0.8e6, MEMORY)),
        yield_strength_pa: Some(p(15e6, 10e6, 20e6, MEMORY)),
    },
    Material {
        name: "copper",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["copper-billet"],
            class: PercussorClass::Metal,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: p(
            8950.0,
            8900.0,
            9000.0,
            "from memory; 9000 on the C11600 page of a materials database",
        ),
        youngs_modulus_pa: p(
            120e9,
            110e9,
            130e9,
            "materials database page for C11600 hard copper; range from memory",
        ),
        poisson_ratio: p(0.34, 0.33, 0.36, "materials database page for C11600; range from memory"),
        toughness_pa_sqrt_m: None,
        yield_strength_pa: Some(p(200e6, 50e6, 350e6, "annealed 50 to 70, hard 250 to 350 MPa, from memory")),
    },
    Material {
        name: "steel",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["hardened-steel", "steel-ball", "hammer-steel"],
            class: PercussorClass::Metal,
            tip_behaviour: TipBehaviour::Elastic,
        }),
        density_kg_m3: p(7830.0, 7810.0, 7850.0, "pages for 52100 bearing steel"),
        youngs_modulus_pa: p(205e9, 190e9, 210e9, "pages for 52100 bearing steel (190 to 210 GPa)"),
        poisson_ratio: p(0.29, 0.27, 0.30, "pages for 52100 bearing steel"),
        toughness_pa_sqrt_m: Some(p(30e6, 15e6, 60e6, MEMORY)),
        yield_strength_pa: Some(p(2.0e9, 1.5e9, 2.5e9, "hardened bearing steel, from memory")),
    },
    Material {
        name: "mild-steel",
        flaked: None,
        strikes: Some(Strikes {
            other_names: &["iron", "soft-steel", "wrought-iron"],
            class: PercussorClass::Metal,
            tip_behaviour: TipBehaviour::Yields,
        }),
        density_kg_m3: p(7850.0, 7750.0, 7900.0, MEMORY),
        youngs_modulus_pa: p(205e9, 190e9, 210e9, "as hardened steel"),
        poisson_ratio: p(0.29, 0.27, 0.30, "as hardened steel"),
        toughness_pa_sqrt_m: None,
        yield_strength_pa: Some(p(250e6, 200e6, 350e6, MEMORY)),
    },
];
