//! Of which quantity a limit is, and how wide it is at each frequency.

use std::sync::Arc;

use super::interpolation::OverFrequency;

/// What a limit is a limit of.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Quantity {
    /// Loop resistance, relative.
    Resistance,
    /// Loop inductance, relative.
    Inductance,
    /// Capacitance, relative.
    Capacitance,
    /// Length, relative.
    Length,
    /// The resistance of all joints, relative.
    Contacts,
    /// The meter's reading of resistance, relative.
    MeterResistance,
    /// The meter's reading of inductance, relative.
    MeterInductance,
    /// The meter's reading of capacitance, relative.
    MeterCapacitance,
    /// The gain of a measured response, in dB, at each frequency by itself.
    Gain,
    /// The gain of a measured response as it scatters: a standard deviation in dB.
    GainScatter,
    /// The phase of a measured response as it scatters: a standard deviation in degrees.
    PhaseScatter,
    /// What smoothing left out of a measured two-port's series impedance, relative: a standard deviation.
    SeriesScatter,
    /// The magnitude of the loudspeaker's impedance, relative: the same on both sides.
    LoadImpedance,
    /// What smoothing left out of the magnitude of the loudspeaker's impedance, relative: a standard deviation.
    LoadScatter,
    /// What smoothing left out of its angle, in radians: a standard deviation.
    LoadAngleScatter,
    /// The amplifier's output impedance, relative: the same on both sides.
    OutputImpedance,
    /// What smoothing left out of the magnitude of the amplifier's output impedance, relative: a standard deviation.
    OutputScatter,
    /// What smoothing left out of its angle, in radians: a standard deviation.
    OutputAngleScatter,
}

impl Quantity {
    /// A short name that scripts may rely on.
    pub fn name(self) -> &'static str {
        match self {
            Self::Resistance => "resistance",
            Self::Inductance => "inductance",
            Self::Capacitance => "capacitance",
            Self::Length => "length",
            Self::Contacts => "contacts",
            Self::MeterResistance => "meter-resistance",
            Self::MeterInductance => "meter-inductance",
            Self::MeterCapacitance => "meter-capacitance",
            Self::Gain => "gain",
            Self::GainScatter => "gain-scatter",
            Self::PhaseScatter => "phase-scatter",
            Self::SeriesScatter => "series-scatter",
            Self::LoadImpedance => "load-impedance",
            Self::LoadScatter => "load-scatter",
            Self::LoadAngleScatter => "load-angle-scatter",
            Self::OutputImpedance => "output-impedance",
            Self::OutputScatter => "output-scatter",
            Self::OutputAngleScatter => "output-angle-scatter",
        }
    }

    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::MeterResistance => "the meter's resistance",
            Self::MeterInductance => "the meter's inductance",
            Self::MeterCapacitance => "the meter's capacitance",
            Self::Gain => "measured gain",
            Self::GainScatter => "scatter of the measured gain",
            Self::PhaseScatter => "scatter of the measured phase",
            Self::SeriesScatter => "scatter of the measured two-port",
            Self::LoadImpedance => "loudspeaker impedance",
            Self::LoadScatter => "scatter of the loudspeaker's impedance",
            Self::LoadAngleScatter => "scatter of the loudspeaker's angle",
            Self::OutputImpedance => "the amplifier's output impedance",
            Self::OutputScatter => "scatter of the amplifier's output impedance",
            Self::OutputAngleScatter => "scatter of the amplifier's angle",
            _ => self.name(),
        }
    }

    /// Whether errors at different frequencies have nothing to do with each other.
    pub fn varies_over_frequency(self) -> bool {
        self == Self::Gain || self.is_scatter()
    }

    /// Whether it is known by its standard deviation, and not by how far off it may be at most.
    pub fn is_scatter(self) -> bool {
        matches!(
            self,
            Self::GainScatter
                | Self::PhaseScatter
                | Self::SeriesScatter
                | Self::LoadScatter
                | Self::LoadAngleScatter
                | Self::OutputScatter
                | Self::OutputAngleScatter
        )
    }
}

/// A value that is known within limits.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Of what.
    pub quantity: Quantity,
    /// Half-width, or standard deviation of what scatters: relative, in dB, degrees or radians as the quantity says.
    pub half_width: f64,
    /// What the half-width is multiplied by at each frequency; `None` is 1 everywhere.
    over: Option<Arc<OverFrequency>>,
}

impl Limit {
    /// The same at every frequency.
    pub fn new(quantity: Quantity, half_width: f64) -> Self {
        Self { quantity, half_width, over: None }
    }

    /// Different half-widths at different frequencies.
    pub fn over_frequency(quantity: Quantity, half_widths: OverFrequency) -> Self {
        Self { quantity, half_width: 1.0, over: Some(Arc::new(half_widths)) }
    }

    /// Half-width at a frequency in Hz.
    pub fn at(&self, frequency_hz: f64) -> f64 {
        self.half_width * self.over.as_ref().map_or(1.0, |over| over.at(frequency_hz))
    }

    /// What a standard deviation is in half-widths: what is known by its limits lies anywhere between them.
    pub fn standard(&self) -> f64 {
        if self.quantity.is_scatter() { 1.0 } else { 1.0 / 3.0_f64.sqrt() }
    }
}
