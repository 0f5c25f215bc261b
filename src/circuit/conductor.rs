//! Materials, round wires, strands, and the internal impedance of a wire.

use num_complex::Complex64;

use super::{CircuitError, MU0, bessel, check_at_least};

/// A metal: resistivity at 20 C and how it grows with temperature.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    /// Resistivity at 20 C in ohm metre.
    pub resistivity_ohm_m: f64,
    /// Temperature coefficient of resistance at 20 C, per kelvin.
    pub temperature_coefficient: f64,
}

impl Material {
    /// Annealed copper (IEC 60028: 1/58 ohm mm2/m, 0.00393/K; the constant is the rounded 1.7241e-8 of wire tables).
    pub const COPPER: Self = Self { resistivity_ohm_m: 1.7241e-8, temperature_coefficient: 0.00393 };
    /// Silver (handbook value; no standard).
    pub const SILVER: Self = Self { resistivity_ohm_m: 1.587e-8, temperature_coefficient: 0.0038 };
    /// Hard-drawn aluminium (IEC 60889: 28.264 nohm m, 0.00403/K).
    pub const ALUMINIUM: Self = Self { resistivity_ohm_m: 2.8264e-8, temperature_coefficient: 0.00403 };
    /// Copper-clad aluminium with a tenth of its volume copper: both metals in parallel, taken as one homogeneous
    /// metal. The cladding's better conduction at the surface is left out, which overstates the loss at frequencies
    /// where the current crowds into it.
    pub const COPPER_CLAD_ALUMINIUM: Self = Self {
        resistivity_ohm_m: 1.0 / (0.1 / 1.7241e-8 + 0.9 / 2.8264e-8),
        temperature_coefficient: 0.00401,
    };

    /// Resistivity in ohm metre at a temperature in degrees Celsius.
    pub fn resistivity_at(self, celsius: f64) -> f64 {
        self.resistivity_ohm_m * (1.0 + self.temperature_coefficient * (celsius - 20.0))
    }

    /// The factor by which resistance grows from 20 C to a temperature in degrees Celsius.
    pub fn temperature_factor(self, celsius: f64) -> f64 {
        1.0 + self.temperature_coefficient * (celsius - 20.0)
    }
}

/// A round, homogeneous, non-magnetic conductor.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Wire {
    /// Outer radius in metres.
    pub radius_m: f64,
    /// Resistivity in ohm metre at its temperature; of a stranded conductor, averaged over metal and gaps.
    pub resistivity_ohm_m: f64,
    /// Area of metal in square metres.
    pub metal_area_m2: f64,
    /// Its strands, if they are insulated from each other.
    pub insulated: Option<InsulatedStrands>,
}

/// Strands that are insulated from each other and change places along the cable, so that all carry the same current.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct InsulatedStrands {
    /// Radius in metres of a strand's metal.
    pub radius_m: f64,
    /// Resistivity in ohm metre of the metal at its temperature.
    pub resistivity_ohm_m: f64,
}

impl Wire {
    /// A solid wire from its diameter in metres.
    pub fn solid(diameter_m: f64, material: Material, celsius: f64) -> Self {
        let radius_m = diameter_m / 2.0;
        Self {
            radius_m,
            resistivity_ohm_m: material.resistivity_at(celsius),
            metal_area_m2: std::f64::consts::PI * radius_m * radius_m,
            insulated: None,
        }
    }

    /// A bunch of bare strands that touch, as one homogeneous round conductor.
    ///
    /// `metal_diameter_m` is the diameter of a solid wire of the same metal area; `fill` the share of the outer circle
    /// that is metal. DC resistance is that of the metal area; the field penetrates as if the metal were thinned
    /// evenly over the circle, which is within 4 to 7 % of a computation strand by strand when the strands touch and change
    /// places nowhere.
    pub fn stranded(metal_diameter_m: f64, fill: f64, material: Material, celsius: f64) -> Self {
        let solid = Self::solid(metal_diameter_m, material, celsius);
        Self {
            radius_m: solid.radius_m / fill.sqrt(),
            resistivity_ohm_m: solid.resistivity_ohm_m / fill,
            metal_area_m2: solid.metal_area_m2,
            insulated: None,
        }
    }

    /// The same bunch of `count` strands, each insulated, that change places along the cable.
    ///
    /// The current is even over the bunch whatever the frequency, and skin effect is that of a single strand. In the field
    /// of all others each strand is a dipole, `-I2(ka)/I0(ka)` of it; together they make the bunch a body of the
    /// permeability `(1 - f x)/(1 + f x)`, `f` its share of metal and `x` that ratio (mixing of thin cylinders after
    /// Rayleigh 1892; at low frequencies the loss is that of Sullivan 1999, IEEE Trans. Power Electronics 14:283; both from
    /// memory).
    #[must_use]
    pub fn insulated(self, count: usize) -> Self {
        let fill = self.metal_area_m2 / (std::f64::consts::PI * self.radius_m * self.radius_m);
        let strands = InsulatedStrands {
            radius_m: (self.metal_area_m2 / (count as f64 * std::f64::consts::PI)).sqrt(),
            resistivity_ohm_m: self.resistivity_ohm_m * fill,
        };
        Self { insulated: Some(strands), ..self }
    }

    /// How a bunch of insulated strands answers any multipole of the field around it.
    fn bunch_answer(&self, strands: InsulatedStrands, omega: f64) -> Complex64 {
        let argument = strands.radius_m * Complex64::new(0.0, omega * MU0 / strands.resistivity_ohm_m).sqrt();
        let fill = strands.resistivity_ohm_m / self.resistivity_ohm_m;
        fill * bessel::multipole_ratios(argument, 1)[0]
    }

    /// The same wire with another DC resistance in ohm per metre, such as the largest that a standard allows.
    #[must_use]
    pub fn with_resistance(self, ohm_per_m: f64) -> Self {
        Self { resistivity_ohm_m: ohm_per_m * std::f64::consts::PI * self.radius_m * self.radius_m, ..self }
    }

    /// Whether every number is one that a wire can have.
    pub fn check(&self) -> Result<(), CircuitError> {
        check_at_least("the radius of a conductor", self.radius_m, 1e-7, "m", "at least 1e-7 m is needed")?;
        check_at_least(
            "the resistivity of a conductor",
            self.resistivity_ohm_m,
            1e-10,
            "ohm m",
            "at least 1e-10 ohm m is needed",
        )
    }

    /// DC resistance in ohm per metre.
    pub fn dc_resistance(&self) -> f64 {
        self.resistivity_ohm_m / (std::f64::consts::PI * self.radius_m * self.radius_m)
    }

    /// `k a` with `k = sqrt(j w mu0/rho)`.
    pub(super) fn argument(&self, omega: f64) -> Complex64 {
        self.radius_m * Complex64::new(0.0, omega * MU0 / self.resistivity_ohm_m).sqrt()
    }

    /// Skin depth in metres at a frequency in Hz.
    pub fn skin_depth_m(&self, frequency_hz: f64) -> f64 {
        (self.resistivity_ohm_m / (std::f64::consts::PI * frequency_hz * MU0)).sqrt()
    }

    /// Internal impedance of an isolated round wire in ohm per metre: `(k rho / 2 pi a) I0(ka)/I1(ka)`.
    ///
    /// Source: Ramo, Whinnery & Van Duzer, Fields and Waves in Communication Electronics, 4.9.
    pub fn internal_impedance(&self, frequency_hz: f64) -> Complex64 {
        let omega = std::f64::consts::TAU * frequency_hz;
        let Some(strands) = self.insulated else {
            return self.dc_resistance() * bessel::wire_ratio(self.argument(omega));
        };
        let argument = strands.radius_m * Complex64::new(0.0, omega * MU0 / strands.resistivity_ohm_m).sqrt();
        let own = self.dc_resistance() * bessel::wire_ratio(argument).re;
        let answer = self.bunch_answer(strands, omega);
        let field = Complex64::new(0.0, omega * MU0 / (8.0 * std::f64::consts::PI));
        own + field * (1.0 - answer) / (1.0 + answer)
    }

    /// How the wire answers multipoles 1..=`highest` of the field around it, each between 0 and 1 in size.
    pub(super) fn multipole_ratios(&self, frequency_hz: f64, highest: usize) -> Vec<Complex64> {
        let omega = std::f64::consts::TAU * frequency_hz;
        match self.insulated {
            Some(strands) => vec![self.bunch_answer(strands, omega); highest],
            None => bessel::multipole_ratios(self.argument(omega), highest),
        }
    }
}

/// Share of a bunched conductor's outer circle that is metal, if nobody says more (common practice, no source).
pub const BUNCH_FILL: f64 = 0.75;

/// Conductor classes of IEC 60228.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ConductorClass {
    /// Classes 1 and 2: solid and stranded conductors for fixed installation.
    Fixed,
    /// Classes 5 and 6: flexible conductors.
    Flexible,
}

/// Nominal area in mm2 and largest resistance at 20 C in ohm/km: fixed plain, fixed tinned, flexible plain, flexible
/// tinned.
///
/// Source: IEC 60228:2004, Tables 1 to 4.
const IEC_60228: [(f64, [f64; 4]); 10] = [
    (0.5, [36.0, 36.7, 39.0, 40.1]),
    (0.75, [24.5, 24.8, 26.0, 26.7]),
    (1.0, [18.1, 18.2, 19.5, 20.0]),
    (1.5, [12.1, 12.2, 13.3, 13.7]),
    (2.5, [7.41, 7.56, 7.98, 8.21]),
    (4.0, [4.61, 4.70, 4.95, 5.09]),
    (6.0, [3.08, 3.11, 3.30, 3.39]),
    (10.0, [1.83, 1.84, 1.91, 1.95]),
    (16.0, [1.15, 1.16, 1.21, 1.24]),
    (25.0, [0.727, 0.734, 0.780, 0.795]),
];

/// Largest resistance at 20 C in ohm per metre that IEC 60228 allows a copper conductor of a nominal area in mm2.
pub fn iec_60228_resistance(
    nominal_mm2: f64,
    class: ConductorClass,
    tinned: bool,
) -> Result<f64, CircuitError> {
    let column = match class {
        ConductorClass::Fixed => 0,
        ConductorClass::Flexible => 2,
    } + usize::from(tinned);
    IEC_60228
        .iter()
        .find(|(area, _)| (area - nominal_mm2).abs() < 1e-6 * area)
        .map(|(_, values)| values[column] * 1e-3)
        .ok_or_else(|| {
            CircuitError::Geometry(format!(
                "{nominal_mm2} mm2 is no nominal area of IEC 60228; known are 0.5, 0.75, 1, 1.5, 2.5, 4, 6, 10, 16 and \
                 25 mm2"
            ))
        })
}
