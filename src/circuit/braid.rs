//! A round braid: strands wound around an axis in both directions, over and under each other.
//!
//! Half of the strands go around clockwise, half the other way, each once in a lay. Where two cross, their centres are one
//! strand's outer diameter apart, and half a crossing later they lie side by side: a strand's distance from the axis swings
//! between the two. The cross-section therefore changes along the braid. It is solved at several places along a crossing,
//! with equal currents in all strands of one polarity (each takes the place of every other), and averaged; what strands at
//! an angle add comes on top: they are longer than the cable, closer to their neighbours, and, if the two directions carry
//! opposite currents, together a coil whose field lies along the axis.
//!
//! Checked against a computation with filaments in three dimensions (Neumann's integral): within 2 % of the inductance.

use super::conductor::Wire;
use super::crosssection::{CrossSection, RoundConductor};
use super::per_metre::take_up;
use super::smooth::Pair;
use super::{CircuitError, MU0, check_at_least};

/// Places along a crossing at which the cross-section is solved.
const PLACES: usize = 4;

/// Which strands carry the current forth, and which back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum BraidPolarity {
    /// All strands of one direction forth, all of the other back.
    ByDirection,
    /// Strands of both polarities in turn, in either direction.
    Mixed,
}

/// A braid of round strands in a homogeneous dielectric.
#[derive(Debug, Clone, PartialEq)]
pub struct Braid {
    /// One strand's conductor.
    pub wire: Wire,
    /// Strands of both directions together: even, and a multiple of four for [`BraidPolarity::Mixed`].
    pub strands: usize,
    /// Diameter in metres of the circle on which the strands' centres lie on average.
    pub circle_diameter_m: f64,
    /// Length in metres in which a strand goes once around; `None`: it does not.
    pub lay_length_m: Option<f64>,
    /// Outer diameter in metres of a strand with its insulation: the distance of two centres where they cross.
    pub strand_diameter_m: f64,
    /// Which strand carries what.
    pub polarity: BraidPolarity,
    /// Effective relative permittivity.
    pub permittivity: f64,
}

impl Braid {
    /// Whether the shape exists.
    pub fn check(&self) -> Result<(), CircuitError> {
        let multiple = if self.polarity == BraidPolarity::Mixed { 4 } else { 2 };
        if self.strands < multiple || !self.strands.is_multiple_of(multiple) {
            return Err(CircuitError::Geometry(format!(
                "{} strands cannot be shared out evenly among directions and polarities; a multiple of {multiple} is needed",
                self.strands
            )));
        }
        let bare = 2.0 * self.wire.radius_m;
        if self.strand_diameter_m.is_nan() || self.strand_diameter_m <= bare * 1.001 {
            return Err(CircuitError::Geometry(format!(
                "a strand of {:.4} mm with its insulation is not larger than its conductor of {:.4} mm",
                self.strand_diameter_m * 1e3,
                bare * 1e3
            )));
        }
        if let Some(lay) = self.lay_length_m {
            check_at_least("the lay length", lay, 1e-4, "m", "at least 0.0001 m is needed")?;
        }
        let apart = std::f64::consts::PI * self.circle_diameter_m / self.around() / self.strands as f64;
        if apart < self.strand_diameter_m || self.circle_diameter_m <= self.strand_diameter_m {
            return Err(CircuitError::Geometry(format!(
                "{} strands of {:.3} mm do not fit on a circle of {:.3} mm with this lay: there are {:.3} mm for each; use a \
                 larger circle or a longer lay",
                self.strands,
                self.strand_diameter_m * 1e3,
                self.circle_diameter_m * 1e3,
                apart * 1e3
            )));
        }
        (0..PLACES).try_for_each(|place| self.section(place).check())
    }

    /// Metres of strand in a metre of cable: it goes around, and up and down at crossings.
    pub fn take_up(&self) -> f64 {
        let swing = self.lay_length_m.map_or(0.0, |lay| {
            std::f64::consts::FRAC_1_SQRT_2
                * std::f64::consts::PI
                * self.strand_diameter_m
                * (self.strands / 2) as f64
                / lay
        });
        // The mean of a square root, to first order.
        self.around() * (1.0 + swing * swing / (self.around() * self.around())).sqrt()
    }

    /// The same of a strand that only goes around.
    fn around(&self) -> f64 {
        self.lay_length_m.map_or(1.0, |lay| take_up(self.circle_diameter_m, lay))
    }

    /// Distances in metres from the axis of the strands of either direction at one of the places.
    fn radii(&self, place: usize) -> (f64, f64) {
        let phase = self.phase(place);
        let swing = 0.5 * self.strand_diameter_m * phase.cos();
        (0.5 * self.circle_diameter_m + swing, 0.5 * self.circle_diameter_m - swing)
    }

    /// 0 where a strand crosses over another, a quarter turn where they lie side by side, half a turn where it crosses under
    /// the next: one of the other polarity, if polarities take turns.
    fn phase(&self, place: usize) -> f64 {
        let range = match self.polarity {
            BraidPolarity::ByDirection => std::f64::consts::FRAC_PI_2,
            BraidPolarity::Mixed => std::f64::consts::PI,
        };
        range * (place as f64 + 0.5) / PLACES as f64
    }

    /// Inductance in henry per metre of the even field between the currents of the two directions at one of the places.
    fn between_directions(&self, place: usize) -> f64 {
        let (one, other) = self.radii(place);
        match self.polarity {
            BraidPolarity::ByDirection => MU0 / std::f64::consts::TAU * (one / other).ln(),
            BraidPolarity::Mixed => 0.0,
        }
    }

    /// What a cut across the strands shows: their distance around the axis shrinks with the angle at which they lie.
    fn section(&self, place: usize) -> CrossSection {
        let each_way = self.strands / 2;
        let shrunk = 1.0 / self.around();
        let (outer, inner) = self.radii(place);
        let turn = self.phase(place) / each_way as f64;
        let strand = |index: usize, way: bool| {
            let step = std::f64::consts::TAU * index as f64 / each_way as f64;
            let (radius, angle) = if way { (outer, step + turn) } else { (inner, step - turn) };
            let radius = shrunk * radius;
            RoundConductor {
                wire: self.wire,
                x_m: radius * angle.cos(),
                y_m: radius * angle.sin(),
                positive: match self.polarity {
                    BraidPolarity::ByDirection => way,
                    BraidPolarity::Mixed => index.is_multiple_of(2),
                },
            }
        };
        let conductors =
            [true, false].into_iter().flat_map(|way| (0..each_way).map(move |index| strand(index, way)));
        CrossSection { conductors: conductors.collect(), permittivity: self.permittivity, transposed: true }
    }

    /// Inductance in henry per metre of the field along the axis: `mu0/(pi p^2)` times the area that each direction's
    /// strands go around, counted for both (a long coil: Ramo, Whinnery & Van Duzer, Fields and Waves, 2.5, from memory).
    pub fn axial_inductance(&self) -> f64 {
        let (Some(lay), BraidPolarity::ByDirection) = (self.lay_length_m, self.polarity) else { return 0.0 };
        let areas: f64 = (0..PLACES)
            .map(|place| {
                let (outer, inner) = self.radii(place);
                // Twice the current within the inner strands, once between inner and outer: 4 and 1 times the energy.
                std::f64::consts::PI * (4.0 * inner * inner + (outer * outer - inner * inner))
            })
            .sum();
        MU0 * areas / PLACES as f64 / (lay * lay)
    }

    /// Capacitance in farad per metre: the mean along the braid.
    pub fn capacitance(&self) -> Result<f64, CircuitError> {
        self.check()?;
        let all =
            (0..PLACES).map(|place| self.section(place).capacitance()).collect::<Result<Vec<_>, _>>()?;
        Ok(self.take_up() * all.iter().sum::<f64>() / PLACES as f64)
    }

    /// Loop resistance in ohm per metre and loop inductance in henry per metre at each frequency in Hz.
    pub fn series(&self, frequencies_hz: &[f64]) -> Result<Vec<Pair>, CircuitError> {
        self.check()?;
        let mut mean = vec![[0.0, self.axial_inductance()]; frequencies_hz.len()];
        let share = self.take_up() / PLACES as f64;
        for place in 0..PLACES {
            // The field between the directions knows only the current along the axis, not the length of the strands.
            let along_axis = self.between_directions(place) * (share - 1.0 / PLACES as f64);
            for (sum, [resistance, inductance]) in
                mean.iter_mut().zip(self.section(place).series(frequencies_hz)?)
            {
                sum[0] += share * resistance;
                sum[1] += share * inductance - along_axis;
            }
        }
        Ok(mean)
    }

    /// Area of metal in square metres of one side.
    pub fn metal_area_m2(&self) -> f64 {
        self.wire.metal_area_m2 * (self.strands / 2) as f64
    }
}
