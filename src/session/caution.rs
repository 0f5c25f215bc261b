//! What to be careful of, as data: each caution has a text and a remedy, shown alike on every surface.
//!
//! Cautions advise and certify nothing. Rules of thumb are common practice without a source unless one is named.

use super::{Session, SwitcherKind};
use crate::circuit::{Chain, CircuitError};
use crate::units::printed;

/// Capacitance in farad from which some amplifiers have been known to misbehave (common practice, no source).
const CAPACITANCE_TO_MIND_F: f64 = 10e-9;
/// Share of the load's lowest impedance that the loop resistance should stay below (common practice, no source).
const RESISTANCE_SHARE: f64 = 0.05;
/// Rated impedance: the lowest modulus is at least this share of it (IEC 60268-5, 16.1).
const RATED_SHARE: f64 = 0.8;
/// Area in m2 below which a copper conductor is thin for loudspeaker currents (common practice, no source).
const THIN_CONDUCTOR_M2: f64 = 0.5e-6;
/// Ampere per m2 that a single cable in free air is usually trusted with (common practice, no source).
const CURRENT_DENSITY: f64 = 6e6;
/// Power in watt into the lowest impedance of the load that a loudspeaker cable should be good for (common practice, no
/// source).
const POWER_TO_CARRY_W: f64 = 50.0;
/// The audible band in Hz.
const BAND_HZ: (f64, f64) = (20.0, 20_000.0);

/// Something to be careful of.
#[derive(Debug, Clone, PartialEq)]
pub enum Caution {
    /// Ears: for everybody, always.
    Hearing,
    /// Amplifiers and cables that are moved: for everybody, always.
    AmplifierOff,
    /// A relay between a running amplifier and a loudspeaker.
    Switched,
    /// A person who is the switch knows more than the listener.
    SwitchedByHand,
    /// In-wall and mains work: for everybody, always.
    InWall,
    /// A capacitance that can upset an amplifier.
    Capacitance {
        /// Which cable.
        cable: String,
        /// Its capacitance in farad.
        farad: f64,
    },
    /// A loop resistance that is large against the load.
    LoopResistance {
        /// Which cable.
        cable: String,
        /// Its loop resistance in ohm.
        ohm: f64,
        /// Lowest impedance of the load in ohm.
        load_ohm: f64,
    },
    /// A conductor that is thin for the currents of a loudspeaker.
    ThinConductor {
        /// Which cable.
        cable: String,
        /// Its area in square metres.
        area_m2: f64,
        /// Lowest impedance of the load in ohm.
        load_ohm: f64,
    },
    /// A load below what the amplifier's maker allows.
    LowLoad {
        /// Lowest impedance of the load in ohm.
        load_ohm: f64,
        /// Where, in Hz.
        at_hz: f64,
        /// The lowest that is allowed, in ohm.
        allowed_ohm: f64,
    },
    /// A load that falls below four fifths of its rated impedance.
    BelowRating {
        /// Lowest impedance of the load in ohm.
        load_ohm: f64,
        /// Where, in Hz.
        at_hz: f64,
        /// Rated impedance in ohm.
        rated_ohm: f64,
    },
}

impl Caution {
    /// A short name that scripts may rely on.
    pub fn name(&self) -> &'static str {
        match self {
            Self::Hearing => "hearing",
            Self::AmplifierOff => "amplifier-off",
            Self::Switched => "switched",
            Self::SwitchedByHand => "switched-by-hand",
            Self::InWall => "in-wall",
            Self::Capacitance { .. } => "capacitance",
            Self::LoopResistance { .. } => "loop-resistance",
            Self::ThinConductor { .. } => "thin-conductor",
            Self::LowLoad { .. } => "low-load",
            Self::BelowRating { .. } => "below-rating",
        }
    }

    /// What it is about.
    pub fn text(&self) -> String {
        match self {
            Self::Hearing => "Loud sound over time damages hearing.".to_owned(),
            Self::AmplifierOff => {
                "Moving or shorting a cable can destroy a running amplifier.".to_owned()
            }
            Self::Switched => {
                "A relay that opens under load burns its contacts, and one that joins two cables or shorts a terminal can destroy the \
                 amplifier."
                    .to_owned()
            }
            Self::SwitchedByHand => {
                "Nobody is kept from helping: an operator who hears which presentation is silent, or signals which cable is \
                 connected, gives the answer away."
                    .to_owned()
            }
            Self::InWall => {
                "In-wall and mains wiring can start fires and kill.".to_owned()
            }
            Self::Capacitance { cable, farad } => format!(
                "Cable {cable} has {:.1} nF. Some amplifiers become unstable with so much capacitance.",
                farad * 1e9
            ),
            Self::LoopResistance { cable, ohm, load_ohm } => format!(
                "Cable {cable} has a loop resistance of {}: {} of the load's lowest impedance, {}. A usual limit is 5 %.",
                printed::ohms(*ohm),
                printed::percent(ohm / load_ohm),
                printed::fixed(*load_ohm, 1, "ohm")
            ),
            Self::ThinConductor { cable, area_m2, load_ohm } => {
                let ampere = area_m2 * CURRENT_DENSITY;
                format!(
                    "Cable {cable} has conductors of {:.2} mm2, usually trusted with {ampere:.1} A (6 A per mm2, less if warm or \
                     bundled): {} into {}.",
                    area_m2 * 1e6,
                    printed::fixed(ampere * ampere * load_ohm, 0, "W"),
                    printed::fixed(*load_ohm, 1, "ohm")
                )
            }
            Self::LowLoad { load_ohm, at_hz, allowed_ohm } => format!(
                "The load falls to {load_ohm} at {at_hz}; the amplifier is rated for {allowed_ohm} ohm or more.",
                load_ohm = printed::fixed(*load_ohm, 2, "ohm"),
                at_hz = printed::hertz(*at_hz)
            ),
            Self::BelowRating { load_ohm, at_hz, rated_ohm } => format!(
                "The load falls to {load_ohm} at {at_hz}, below four fifths of its rated {rated_ohm} ohm \
                 (IEC 60268-5).",
                load_ohm = printed::fixed(*load_ohm, 2, "ohm"),
                at_hz = printed::hertz(*at_hz)
            ),
        }
    }

    /// What to do.
    pub fn remedy(&self) -> &'static str {
        match self {
            Self::Hearing => "Start low, and rest every twenty minutes.",
            Self::AmplifierOff => "Switch it off first, always.",
            Self::Switched => {
                "Switch both poles, break before make, with contacts rated for the amplifier's peak current. The music is silent \
                 while contacts move: leave nothing else playing, and never ground a bridged amplifier's terminal."
            }
            Self::SwitchedByHand => {
                "Keep the operator out of everybody's sight and hearing until the seal is open. The terminals alone tell nothing: \
                 each round connects both cables in a drawn order that is as likely whatever the answer is."
            }
            Self::InWall => "Leave it to licensed people and local codes.",
            Self::Capacitance { .. } => "Ask the amplifier's maker before you connect the real cable.",
            Self::LoopResistance { .. } => {
                "It lowers the level and bends the response after the load's impedance; a larger conductor helps."
            }
            Self::ThinConductor { .. } => "Keep the real level low; its maker's rating comes first.",
            Self::LowLoad { .. } | Self::BelowRating { .. } => {
                "Keep the level low with the real amplifier, and ask its maker."
            }
        }
    }

    /// Where its numbers come from.
    pub fn source(&self) -> Option<&'static str> {
        matches!(self, Self::Hearing)
            .then_some("NIOSH 98-126: 85 dBA for 8 hours, 100 dBA for a quarter of an hour.")
    }

    /// Text, remedy and source as one line.
    pub fn line(&self) -> String {
        let source =
            self.source().map_or_else(String::new, |source| format!(" ({})", source.trim_end_matches('.')));
        format!("{} {}{source}", self.text(), self.remedy())
    }

    /// What everybody should be told always.
    pub fn usual() -> [Self; 3] {
        [Self::Hearing, Self::AmplifierOff, Self::InWall]
    }

    /// What this session gives reason to say, the usual cautions last.
    pub fn of(session: &Session) -> Result<Vec<Self>, CircuitError> {
        let mut cautions = Vec::new();
        let (load_ohm, at_hz) = session.loudspeaker.lowest_impedance(BAND_HZ.0, BAND_HZ.1);
        if let Some(allowed_ohm) = session.amplifier.lowest_load_ohm.filter(|allowed| load_ohm < *allowed) {
            cautions.push(Self::LowLoad { load_ohm, at_hz, allowed_ohm });
        }
        if let Some(rated_ohm) =
            session.loudspeaker.rated_impedance_ohm.filter(|rated| load_ohm < RATED_SHARE * rated)
        {
            cautions.push(Self::BelowRating { load_ohm, at_hz, rated_ohm });
        }
        for (index, named) in session.cables.iter().enumerate() {
            Self::of_cable(named.name.as_written(), &session.chain(index), load_ohm, &mut cautions)?;
        }
        if let Some(switcher) = &session.switcher {
            cautions.push(Self::Switched);
            if switcher.kind == SwitcherKind::Operator {
                cautions.push(Self::SwitchedByHand);
            }
        }
        cautions.extend(Self::usual());
        Ok(cautions)
    }

    fn of_cable(name: &str, chain: &Chain, load_ohm: f64, into: &mut Vec<Self>) -> Result<(), CircuitError> {
        let parameters = chain.parameters(&[1000.0])?;
        let cable = || name.to_owned();
        if let Some(&farad) = parameters.capacitance_f.as_deref().and_then(<[f64]>::first)
            && farad > CAPACITANCE_TO_MIND_F
        {
            into.push(Self::Capacitance { cable: cable(), farad });
        }
        if let Some(ohm) = parameters.dc_resistance_ohm.filter(|ohm| *ohm > RESISTANCE_SHARE * load_ohm) {
            into.push(Self::LoopResistance { cable: cable(), ohm, load_ohm });
        }
        if let Some(area_m2) = chain.cable.metal_area_m2() {
            let power = (area_m2 * CURRENT_DENSITY).powi(2) * load_ohm;
            if area_m2 < THIN_CONDUCTOR_M2 * 0.999 || power < POWER_TO_CARRY_W {
                into.push(Self::ThinConductor { cable: cable(), area_m2, load_ohm });
            }
        }
        Ok(())
    }
}
