//! `earwitness check`: validates a session; says what would be played, what the difference is, what to be careful of.

use std::collections::BTreeMap;
use std::collections::btree_map::Entry;
use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use super::check_page::{Page, control_words};
use super::progress::Bar;
use super::rounds_time::RoundsTime;
use super::{
    Failure, check_loopback, check_switch, check_words, extend, item, paragraph, predict, predict_sizes,
    print_json, print_lines, timings,
};
use crate::circuit::CircuitError;
use crate::clip::ClipSource;
use crate::hearing::{Ears, OnClip, STEPS_NOTE, Summary, Uncertainty};
use crate::screen::Block;
use crate::session::cheating::STILL_POSSIBLE;
use crate::session::{Caution, Comparison, Session, Written};
use crate::sitting::agreed::agreed;
use crate::stimulus::marks::Usual;
use crate::stimulus::on_paper::SizesOnPaper;
use crate::stimulus::recorded::RecordedPair;
use crate::stimulus::transparency::{self, TransparencyReport};
use crate::stimulus::{PairKind, PairLevels, Survey};
use crate::trial::{Definition, Terms};
use crate::units::printed;

/// What was typed after `check`.
#[derive(Debug, clap::Args)]
pub struct CheckArguments {
    /// Session file, or the folder it is in
    session: PathBuf,
    /// Print JSON
    #[arg(long)]
    json: bool,
    /// Say everything: levels and filters of each clip, uncertainties, sources, ways to cheat
    #[arg(long, conflicts_with = "json")]
    full: bool,
    /// Measure the sound path too: a direct cable bit for bit, then every filter, latency and noise
    #[arg(long)]
    sound_path: bool,
    /// Try the switch for real cables: each terminal twice, then nothing connected. Turn the amplifier off or mute it first
    #[arg(long)]
    switch: bool,
    /// With --switch: a microphone at the listener's place, an input by name or "default"; do both
    /// positions sound alike when they are switched?
    #[arg(long, value_name = "NAME", requires = "switch")]
    microphone: Option<String>,
    #[command(flatten)]
    device: check_words::DeviceArguments,
    #[command(flatten)]
    loopback: check_loopback::LoopbackArguments,
}

/// Runs the command.
pub fn run(arguments: &CheckArguments, out: &mut dyn Write) -> Result<(), Failure> {
    timings::stage("session");
    let session = crate::session::load(&arguments.session).map_err(Failure::bad)?;
    timings::stage("stimuli");
    // It reads every sound file to its end and computes every filter: what can fail, fails here.
    let stimuli = crate::stimulus::survey(&session, &Bar::default()).map_err(Failure::bad)?;
    timings::stage("differences");
    let summaries = summaries(&session).map_err(Failure::bad)?;
    timings::stage("clips to an ear");
    let mut ears = Ears::default();
    let to_an_ear = session
        .comparisons
        .iter()
        .map(|comparison| predict::on_clips(&session, comparison, &mut ears))
        .collect::<Result<Vec<_>, _>>()?;
    let (scale, sizes) = predict_sizes::of_session(&session);
    let mut known = BTreeMap::new();
    let on_paper = session
        .comparisons
        .iter()
        .map(|comparison| {
            // Comparisons of the same cables on the same clips are computed once.
            let key = (comparison.a, comparison.b, &comparison.clips);
            if let Some(paper) = known.get(&key) {
                return Ok(SizesOnPaper::clone(paper));
            }
            let paper = predict_sizes::on_paper(&session, comparison, (scale, &sizes), &mut ears)?;
            known.insert(key, paper.clone());
            Ok(paper)
        })
        .collect::<Result<Vec<_>, Failure>>()?;
    timings::stage("cautions");
    let cautions = Caution::of(&session).map_err(Failure::bad)?;
    let notes: Vec<&String> = session.notes.iter().chain(stimuli.notes()).collect();
    timings::stage("sound device");
    let device = check_words::find(&arguments.device, &stimuli)?;
    timings::stage("sound path");
    let proof = if arguments.sound_path {
        Some(transparency::prove(&session, &Bar::default()).map_err(Failure::bad)?)
    } else {
        None
    };
    let chain = check_loopback::measure(&arguments.loopback, &arguments.device, &session, &stimuli)?;
    let switch = arguments
        .switch
        .then(|| check_switch::tried(&session, arguments.microphone.as_deref()))
        .transpose()?;
    timings::stage("output");
    if arguments.json {
        let comparisons: Vec<serde_json::Value> = session
            .comparisons
            .iter()
            .zip(&summaries)
            .enumerate()
            .map(|(index, (_, summary))| {
                as_json(&session, index, summary, &stimuli, (&to_an_ear[index], &on_paper[index]))
            })
            .collect::<Result<_, Failure>>()?;
        let document = json!({
            "schema": "earwitness.check/1",
            "title": session.title.as_written(),
            "invented": session.invented,
            "protocol": session.protocol,
            "question": Definition::of(session.protocol).question(session.attribute.as_ref().map(Written::as_written)),
            "sides": session.sides,
            "heard_at_least_s": f64::from(session.heard_at_least_ms) / 1000.0,
            "trials": session.trials,
            "comparisons": comparisons,
            "notes": notes,
            "cautions": predict::cautions_json(&cautions),
            "still_possible": STILL_POSSIBLE,
            "sound_device": check_words::document(&session, &device),
            "recorded": stimuli.recorded().iter().map(|pair| recorded_json(&session, pair)).collect::<Vec<_>>(),
            "sound_path": proof.as_ref().map(proof_json),
            "loopback": check_loopback::document(chain.as_ref()),
            "switch": switch,
            "rounds": RoundsTime::document(RoundsTime::of(&session)?),
        });
        print_json(out, &document)?;
        return verdict_on(proof.as_ref());
    }
    let found = Found {
        page: Page {
            typed: &arguments.session,
            session: &session,
            summaries: &summaries,
            on_clips: &to_an_ear,
            on_paper: &on_paper,
            cautions: &cautions,
            notes: &notes,
            device: &device,
        },
        stimuli: &stimuli,
    };
    if arguments.full {
        found.everything(out)?;
    } else {
        found.page.write(out)?;
    }
    if let Some(switch) = &switch {
        writeln!(out, "\nSwitch, tried")?;
        print_lines(out, paragraph(2, switch))?;
    }
    if let Some(proof) = &proof {
        writeln!(out, "\nSound path, measured")?;
        for line in proof.lines() {
            writeln!(out, "  {line}")?;
        }
    }
    if let Some(chain) = &chain {
        writeln!(out)?;
        print_lines(out, check_loopback::lines(chain))?;
    }
    verdict_on(proof.as_ref())
}

/// Everything that was found out, for people.
struct Found<'c> {
    page: Page<'c>,
    stimuli: &'c Survey<'c>,
}

impl Found<'_> {
    /// All of it, for whoever wants to check the check.
    fn everything(&self, out: &mut dyn Write) -> Result<(), Failure> {
        let Page { session, summaries, on_clips, on_paper, cautions, notes, device, .. } = &self.page;
        let stimuli = self.stimuli;
        print_lines(out, terms(session))?;
        for (index, (comparison, (summary, unknown))) in
            session.comparisons.iter().zip(*summaries).enumerate()
        {
            writeln!(out)?;
            print_lines(out, predict::summary_lines(session, comparison, summary, unknown.as_ref()))?;
            for (&clip, (name, on_clip)) in comparison.clips.iter().zip(&on_clips[index]) {
                if let Some(levels) = levels_of(stimuli, index, clip) {
                    print_lines(out, paragraph(2, &format!("on {name}: {}", loudness_line(levels))))?;
                }
                print_lines(out, predict::on_clip_lines(session, name, on_clip.as_ref()))?;
                print_lines(
                    out,
                    predict_sizes::expected_line(&on_paper[index], name)
                        .iter()
                        .flat_map(|line| paragraph(4, line)),
                )?;
            }
            if session.threshold.is_some() {
                let (scale, sizes) = predict_sizes::of_session(session);
                writeln!(out, "  sizes, on paper")?;
                for line in
                    predict_sizes::lines(session, comparison, (scale, &sizes), Some(&on_paper[index]))?
                {
                    writeln!(out, "  {line}")?;
                }
            }
        }
        writeln!(out)?;
        print_lines(out, paragraph(0, STEPS_NOTE))?;
        if !session.controls.is_empty() {
            writeln!(out, "\nControls, reported separately")?;
            for control in &session.controls {
                match control.trials {
                    0 => writeln!(
                        out,
                        "  before the counted trials, to qualify: {}",
                        control_words(control.kind)
                    )?,
                    trials => {
                        writeln!(
                            out,
                            "  {trials} x {}, mixed in with the trials that count",
                            control_words(control.kind)
                        )?;
                    }
                }
            }
        }
        if let Some(time) = RoundsTime::of(session)? {
            writeln!(out, "\nTime")?;
            print_lines(out, paragraph(2, &time.words()))?;
        }
        writeln!(out)?;
        for line in check_words::lines(session, device) {
            let indent = line.len() - line.trim_start().len();
            print_lines(out, paragraph(indent, &line))?;
        }
        if !notes.is_empty() {
            writeln!(out, "\nWorth knowing")?;
            for note in *notes {
                item(out, note)?;
            }
        }
        writeln!(out, "\nBe careful")?;
        for caution in *cautions {
            item(out, &caution.line())?;
        }
        writeln!(out, "\nHow you could still be cheated, and what to watch")?;
        for way in STILL_POSSIBLE {
            item(out, way)?;
        }
        Ok(())
    }
}

/// The difference of each comparison's cables, worked out once for all comparisons of the same two.
fn summaries(session: &Session) -> Result<Vec<(Summary, Option<Uncertainty>)>, CircuitError> {
    let mut known = BTreeMap::new();
    session
        .comparisons
        .iter()
        .map(|Comparison { a, b, .. }| match known.entry((*a, *b)) {
            Entry::Occupied(known) => Ok(Clone::clone(known.get())),
            Entry::Vacant(place) => {
                let (a, b) = (session.chain(*a), session.chain(*b));
                let summary = Summary::between(&a, &b)?;
                Ok(place.insert((summary, Uncertainty::between(&a, &b, &summary, &[])?)).clone())
            }
        })
        .collect()
}

/// A sound path that has to be blamed for something is the answer no.
fn verdict_on(proof: Option<&TransparencyReport>) -> Result<(), Failure> {
    match proof {
        Some(proof) if !proof.passed() => Err(Failure::No(
            "the sound path is not as transparent as it has to be; what is above says where".to_owned(),
        )),
        _ => Ok(()),
    }
}

/// What recordings that are played say of themselves.
fn recorded_json(session: &Session, pair: &RecordedPair) -> serde_json::Value {
    let apart = pair.apart();
    json!({
        "comparison": session.comparisons[pair.comparison].name.as_written(),
        "clip": session.clips[pair.clip].name.as_written(),
        "bands": pair.bands,
        "level_off_db": apart.map(|(mean, ..)| mean),
        "shape_off_db": apart.map(|(_, shape, _)| shape),
        "noise_dbfs": pair.noise_dbfs,
        "mark": pair.mark.map(|mark| json!({
            "over_db": mark.over_db,
            "level_db": mark.level_db,
            "at_hz": mark.at_hz,
            "at_s": mark.at_s,
            "share": mark.share,
            "against": match mark.usual { Usual::Repeats => "repeats", Usual::Silence => "silence" },
        })),
        "steps_bits": pair.grains,
        "offset": pair.offset,
    })
}

fn proof_json(proof: &TransparencyReport) -> serde_json::Value {
    let mut document = json!({ "passed": proof.passed() });
    extend(&mut document, json!(proof));
    document
}

/// The terms of the session in plain lines.
fn terms(session: &Session) -> Vec<String> {
    let mut lines = vec![session.title.as_written().to_owned()];
    if session.invented {
        lines.push("  The data of this session is invented.".to_owned());
    }
    lines.push(format!(
        "  {}, {} counted trials per comparison, {} to warm up, alpha {}",
        session.protocol, session.trials, session.warm_up, session.alpha
    ));
    // The terms as the listener will read them, from the same data.
    for block in agreed(&Terms::of(session)) {
        match block {
            Block::Pair(name, value) => {
                lines.extend(titled(&name.to_lowercase(), &value));
            }
            Block::Caution(text) => lines.extend(paragraph(2, &format!("! {text}"))),
            _ => {}
        }
    }
    for clip in &session.clips {
        let source = match &clip.source {
            ClipSource::File { path, start_seconds, length_seconds } => {
                let name = crate::files::name(path);
                match length_seconds {
                    Some(length) => format!("{name}, {length} s from {start_seconds} s on"),
                    None => format!("{name}, from {start_seconds} s to its end"),
                }
            }
            ClipSource::Synth { name, length_seconds, rate_hz, .. } => {
                format!("synthesised {name}, {length_seconds} s at {rate_hz} Hz")
            }
        };
        lines.push(format!("  clip       {}: {source}", clip.name.as_written()));
    }
    if let Some(wager) = &session.wager {
        lines.push(format!(
            "  wager      {} claims: \"{}\"; {} doubts it",
            wager.claimant.as_written(),
            wager.claim.as_written(),
            wager.skeptic.as_written()
        ));
        if let Some(offer) = super::check_page::yardstick_offer(session) {
            lines.extend(titled("first", &offer));
        }
    }
    lines
}

/// A paragraph with its title in front of its first line.
fn titled(title: &str, text: &str) -> Vec<String> {
    let mut lines = paragraph(15, text);
    if let Some(first) = lines.first_mut() {
        *first = format!("  {title:<13}{}", first.trim_start());
    }
    lines
}

fn levels_of<'s>(stimuli: &'s Survey<'_>, comparison: usize, clip: usize) -> Option<&'s PairLevels> {
    stimuli.levels(PairKind::Comparison { comparison, clip })
}

fn loudness_line(levels: &PairLevels) -> String {
    match (levels.loudness_a_lufs, levels.loudness_b_lufs) {
        (Some(a), Some(b)) => {
            // Levels that were matched differ by a rounding error, which has no sign worth showing.
            let difference = printed::rounded(a - b, 3);
            format!(
                "{} (A minus B), played at {}, filters of {} and {} taps",
                printed::signed(difference, 3, "LU"),
                printed::fixed(a, 1, "LUFS"),
                levels.taps_a,
                levels.taps_b
            )
        }
        _ => "silent: nothing can be heard or matched on it".to_owned(),
    }
}

fn as_json(
    session: &Session,
    index: usize,
    (summary, unknown): &(Summary, Option<Uncertainty>),
    stimuli: &Survey<'_>,
    (to_an_ear, on_paper): (&[(String, Option<OnClip>)], &SizesOnPaper),
) -> Result<serde_json::Value, Failure> {
    let comparison = &session.comparisons[index];
    let clips: Vec<serde_json::Value> = comparison
        .clips
        .iter()
        .zip(to_an_ear)
        .filter_map(|(&clip, (_, on_clip))| {
            let levels = levels_of(stimuli, index, clip)?;
            let mut document = json!({
                "clip": session.clips[clip].name.as_written(),
                "loudness_a_lufs": levels.loudness_a_lufs,
                "loudness_b_lufs": levels.loudness_b_lufs,
                "true_peak_a_dbtp": levels.true_peak_a_dbtp,
                "true_peak_b_dbtp": levels.true_peak_b_dbtp,
                "common_gain_db": levels.common_gain_db,
                "filter_taps_a": levels.taps_a,
                "filter_taps_b": levels.taps_b,
            });
            extend(&mut document, predict::on_clip_json(session, on_clip.as_ref()));
            document["expected_size"] =
                predict_sizes::expected_json(on_paper, session.clips[clip].name.as_written());
            Some(document)
        })
        .collect();
    let sizes = session.threshold.map(|_| {
        let (scale, sizes) = predict_sizes::of_session(session);
        predict_sizes::json(session, comparison, (scale, &sizes), Some(on_paper))
    });
    let mut document = json!({
        "name": comparison.name.as_written(),
        "a": session.cables[comparison.a].name.as_written(),
        "b": session.cables[comparison.b].name.as_written(),
    });
    extend(&mut document, predict::summary_json(summary));
    document["uncertainty"] = predict::uncertainty_json(session, comparison, summary, unknown.as_ref());
    document["clips"] = json!(clips);
    document["sizes"] = json!(sizes.transpose()?);
    Ok(document)
}
