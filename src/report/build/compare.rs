//! What was compared, from the session alone: circuit, cables, clips, and the difference on paper.

use super::heard;
use crate::circuit::amplifier::OutputImpedance;
use crate::circuit::cable::Cable;
use crate::circuit::loudspeaker::Load;
use crate::clip::loudness::Meter;
use crate::clip::spectrum::Spectrum;
use crate::clip::{ClipSource, OpenClip};
use crate::evidence::{Anonymiser, hide};
use crate::hearing::{Summary, Uncertainty};
use crate::report::distortion_figure::distortion;
use crate::report::model::{CABLE_FREQUENCIES_HZ, CableFacts, ClipFacts, Compared, DifferenceFacts};
use crate::report::{length_figures, response_figures};
use crate::session::{Caution, Clip, Levels, NamedCable, Session};
use crate::units::printed;
use crate::units::printed::plus_minus;

/// Frames read at a time.
const BLOCK: usize = 65_536;

/// Everything that the session says about the circuit and the clips. What cannot be computed is said, not hidden.
pub(super) fn compared(session: &Session, anonymiser: &Anonymiser) -> Compared {
    let shown = |message: &str| anonymiser.text(&hide::folder(message, &session.folder));
    let mut compared = Compared {
        amplifier: amplifier(session),
        loudspeaker: loudspeaker(session),
        notes: session.notes.iter().map(|note| shown(note)).collect(),
        ..Compared::default()
    };
    match Caution::of(session) {
        Ok(cautions) => {
            compared.cautions = cautions.iter().map(|caution| shown(&caution.line())).collect();
        }
        Err(problem) => compared.problems.push(shown(&format!("cautions: {problem}"))),
    }
    for (index, cable) in session.cables.iter().enumerate() {
        match cable_facts(session, index, cable) {
            Ok(facts) => compared.cables.push(facts),
            Err(problem) => {
                compared.problems.push(shown(&format!("cable {}: {problem}", cable.name.shown())));
            }
        }
    }
    for clip in &session.clips {
        let (facts, problem) = clip_facts(clip, anonymiser);
        compared.clips.push(facts);
        compared.problems.extend(problem.map(|problem| shown(&problem)));
    }
    let mut ears = crate::hearing::Ears::default();
    for index in 0..session.comparisons.len() {
        match difference(session, index) {
            Ok(mut facts) => {
                facts.words.extend(heard::on_clips(session, index, &mut ears));
                compared.differences.push(facts);
                let comparison = &session.comparisons[index];
                compared.more_figures.extend(response_figures::responses(session, comparison));
                compared.figures.extend(response_figures::difference(session, comparison));
                compared.more_figures.extend(response_figures::unknown(session, comparison).ok().flatten());
            }
            Err(problem) => {
                let problem = format!("comparison {}: {problem}", session.comparisons[index].name.shown());
                compared.problems.push(shown(&problem));
            }
        }
    }
    compared.more_figures.extend(distortion(session));
    compared.more_figures.push(response_figures::load(session));
    compared.more_figures.extend(response_figures::cables(session).unwrap_or_default());
    compared.more_figures.extend(length_figures::at_the_loudspeaker(session).unwrap_or_default());
    compared
}

fn amplifier(session: &Session) -> Vec<String> {
    let mut lines = vec![match &session.amplifier.output {
        OutputImpedance::Lumped { resistance_ohm, inductance_h: 0.0 } => {
            format!("output impedance {} mΩ", digits(resistance_ohm * 1e3))
        }
        OutputImpedance::Lumped { resistance_ohm, inductance_h } => format!(
            "output impedance {} mΩ in series with {} µH",
            digits(resistance_ohm * 1e3),
            digits(inductance_h * 1e6)
        ),
        OutputImpedance::Table(table) => {
            let (low, high) = table.range_hz();
            format!("output impedance measured from {} to {}", printed::hertz(low), printed::hertz(high))
        }
    }];
    if let Some(ohm) = session.amplifier.lowest_load_ohm {
        lines.push(format!("lowest load that its maker allows: {} Ω", digits(ohm)));
    }
    lines
}

fn loudspeaker(session: &Session) -> Vec<String> {
    let mut lines = vec![match &session.loudspeaker.load {
        Load::Resistor(ohm) => format!("resistor of {} Ω", digits(*ohm)),
        Load::Table(table) => {
            let (low, high) = table.range_hz();
            format!("impedance measured from {} to {}", printed::hertz(low), printed::hertz(high))
        }
        Load::Driver(driver) => format!(
            "one driver: {} Ω at 0 Hz, resonance at {} Hz",
            digits(driver.dc_resistance_ohm),
            digits(driver.resonance_hz)
        ),
        Load::Network(_) => "crossover with its drivers".to_owned(),
    }];
    if let Some(ohm) = session.loudspeaker.rated_impedance_ohm {
        lines.push(format!("rated impedance {} Ω", digits(ohm)));
    }
    let (ohm, at) = session.loudspeaker.lowest_impedance(20.0, 20_000.0);
    if !matches!(session.loudspeaker.load, Load::Resistor(_)) && ohm.is_finite() {
        lines.push(format!(
            "lowest impedance from 20 Hz to 20 kHz: {} Ω at {}",
            digits(ohm),
            printed::hertz(at)
        ));
    }
    lines
}

/// A value with four digits that mean something, without trailing zeros.
fn digits(value: f64) -> String {
    if value == 0.0 || !value.is_finite() {
        return "0".to_owned();
    }
    let places = (3.0 - value.abs().log10().floor()).clamp(0.0, 12.0) as usize;
    let text = format!("{value:.places$}");
    if text.contains('.') { text.trim_end_matches('0').trim_end_matches('.').to_owned() } else { text }
}

fn describe(cable: &Cable) -> String {
    match cable {
        Cable::Direct => "no cable at all".to_owned(),
        Cable::Line(line) => {
            let area = line
                .parameters
                .metal_area_m2()
                .map_or_else(String::new, |area| format!(" of {} mm²", digits(area * 1e6)));
            format!("{} m{area}", digits(line.length_m))
        }
        Cable::Lumped(_) => "totals of resistance, inductance and capacitance".to_owned(),
        Cable::TwoPort(table) => {
            let (low, high) = table.range_hz();
            format!("two-port measured from {} to {}", printed::hertz(low), printed::hertz(high))
        }
        Cable::Response(table) => {
            let (low, high) = table.range_hz();
            format!(
                "response measured from {} to {}, load included",
                printed::hertz(low),
                printed::hertz(high)
            )
        }
        Cable::Series(parts) => {
            format!("one after another: {}", parts.iter().map(describe).collect::<Vec<_>>().join("; "))
        }
        Cable::Parallel(parts) => {
            format!("side by side: {}", parts.iter().map(describe).collect::<Vec<_>>().join("; "))
        }
        Cable::BiWired { low, high, .. } => {
            format!("to the low terminals: {}; to the high ones: {}", describe(low), describe(high))
        }
        Cable::Toleranced(known) if known.contact_ohm > 0.0 => {
            format!("{}, four joints of {} mΩ each", describe(&known.cable), digits(known.contact_ohm * 1e3))
        }
        Cable::Toleranced(known) => describe(&known.cable),
    }
}

fn cable_facts(session: &Session, index: usize, cable: &NamedCable) -> Result<CableFacts, String> {
    let parameters =
        session.chain(index).parameters(&CABLE_FREQUENCIES_HZ).map_err(|error| error.to_string())?;
    Ok(CableFacts {
        name: cable.name.shown().to_owned(),
        description: describe(&cable.cable),
        dc_resistance_ohm: parameters.dc_resistance_ohm,
        loop_resistance_ohm: parameters.loop_resistance_ohm.unwrap_or_default(),
        loop_inductance_h: parameters.loop_inductance_h.unwrap_or_default(),
        capacitance_f: parameters.capacitance_f.unwrap_or_default(),
    })
}

fn clip_facts(clip: &Clip, anonymiser: &Anonymiser) -> (ClipFacts, Option<String>) {
    let source = match &clip.source {
        ClipSource::File { path, start_seconds, .. } => {
            format!("{} from {} s on", anonymiser.text(&crate::files::name(path)), digits(*start_seconds))
        }
        ClipSource::Synth { name, seed, .. } => format!("synthesised: {name}, seed {seed}"),
    };
    let mut facts = ClipFacts {
        name: clip.name.shown().to_owned(),
        source,
        facts: Vec::new(),
        third_octaves_hz_db: Vec::new(),
    };
    let problem = match measure(&clip.source) {
        Ok((measured, spectrum)) => {
            facts.facts = measured;
            facts.third_octaves_hz_db = spectrum;
            None
        }
        Err(problem) => Some(format!("clip {}: {problem}", clip.name.shown())),
    };
    (facts, problem)
}

/// Label and value of what is measured.
type Measured = Vec<(String, String)>;

fn measure(source: &ClipSource) -> Result<(Measured, Vec<(f64, f64)>), String> {
    let text = |error: crate::clip::ClipError| error.to_string();
    let clip = OpenClip::open(source).map_err(text)?;
    let info = clip.info();
    let mut meter = Meter::new(usize::from(info.channels), info.rate_hz);
    let mut spectrum = Spectrum::new(usize::from(info.channels), info.rate_hz);
    let mut reader = clip.reader().map_err(text)?;
    loop {
        let planes = reader.read(BLOCK).map_err(text)?;
        if planes.first().is_none_or(Vec::is_empty) {
            break;
        }
        let planes: Vec<&[f64]> = planes.iter().map(Vec::as_slice).collect();
        meter.push(&planes);
        spectrum.push(&planes);
    }
    let loudness = meter.finish();
    let channels = if info.channels == 1 { "1 channel" } else { "2 channels" };
    let facts = vec![
        ("length".to_owned(), format!("{} s", digits(info.seconds()))),
        ("format".to_owned(), format!("{} Hz, {channels}, {}", info.rate_hz, info.coding)),
        (
            "loudness".to_owned(),
            loudness.integrated_lufs.map_or_else(|| "silent".to_owned(), |lufs| format!("{lufs:.1} LUFS")),
        ),
        ("true peak".to_owned(), printed::fixed(loudness.true_peak_dbtp(), 1, "dBTP")),
    ];
    let spectrum = spectrum.finish().into_iter().filter(|(_, level)| level.is_finite()).collect();
    Ok((facts, spectrum))
}

fn difference(session: &Session, index: usize) -> Result<DifferenceFacts, String> {
    let comparison = &session.comparisons[index];
    let (a, b) = (session.chain(comparison.a), session.chain(comparison.b));
    let summary = Summary::between(&a, &b).map_err(|error| error.to_string())?;
    let unknown = Uncertainty::between(&a, &b, &summary, &[]).map_err(|error| error.to_string())?;
    let decibels = |value: f64, of: fn(&Uncertainty) -> f64, signed: bool| match &unknown {
        Some(unknown) => plus_minus(value, of(unknown)),
        None if signed => printed::signed_decibels(value),
        None => printed::decibels(value),
    };
    let fact = |label: &str, value: String| (label.to_owned(), value);
    Ok(DifferenceFacts {
        index,
        comparison: comparison.name.shown().to_owned(),
        facts: vec![
            fact("A minus B at 1 kHz", decibels(summary.at_1khz_db, |unknown| unknown.at_1khz_db, true)),
            fact("A minus B at 20 kHz", decibels(summary.at_20khz_db, |unknown| unknown.at_20khz_db, true)),
            fact(
                "largest, 20 Hz to 20 kHz",
                format!(
                    "{} at {}",
                    decibels(summary.max_abs_db, |unknown| unknown.max_abs_db, false),
                    printed::hertz(summary.max_abs_at_hz)
                ),
            ),
            fact(
                "left after the best level match",
                format!(
                    "{} at {}",
                    decibels(summary.shape_max_abs_db, |unknown| unknown.shape_max_abs_db, false),
                    printed::hertz(summary.shape_max_abs_at_hz)
                ),
            ),
            fact("A minus B as a signal", summary.signal_words()),
        ],
        level_db: Some(summary.level_db).filter(|db| db.is_finite()),
        known_db: unknown
            .as_ref()
            .filter(|_| session.switcher.is_none())
            .map(|unknown| unknown.played(&summary, session.levels == Levels::Matched)),
        words: vec![match &unknown {
            Some(unknown) => unknown.sentence(&summary, session.levels == Levels::Matched),
            None => "How sure that is cannot be said: the session gives no tolerances.".to_owned(),
        }],
    })
}
