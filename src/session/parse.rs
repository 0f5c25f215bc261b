//! From the text of a session file to a validated [`Session`].

use std::collections::BTreeMap;
use std::path::Path;

use super::asked::{self, Asked};
use super::reader::{Document, SessionError, Table, not_among};
use super::{
    Clip, Comparison, ComparisonOrder, Control, ControlKind, ControlName, Deciding, Family, Levels,
    NamedCable, Qualification, Session, Stopping, Switching, Wager, Written, electrical, session_file,
};
use crate::clip::ClipSource;
use crate::clip::limits::{
    CONTROL_DECIBELS, HEAD_MOVEMENT_METRES, LONGEST_SECONDS, RATES_HZ, SYNTHESISED_SECONDS,
};
use crate::files;
use crate::stats::Protocol;
use crate::stats::protocol::{Asks, Side};
use crate::stats::williams;
use crate::units::printed::written;
use crate::units::{Dimension, foreign};

/// Largest session file that is read: a session is written by hand, anything longer is another kind of file.
const LARGEST_FILE_BYTES: u64 = 4 * 1024 * 1024;

/// Loads the session at `path`, a file or a folder with a `session.toml`.
pub fn load(path: &Path) -> Result<Session, SessionError> {
    let file = session_file(path);
    let failed = |message: String| SessionError { file: file.clone(), line: None, message };
    let unreadable = |error: std::io::Error| {
        failed(format!(
            "the session file cannot be read ({error}); a session is a TOML file or a folder with session.toml in \
             it, and `earwitness new DIR` writes one to start from",
            error = crate::files::reason(&error)
        ))
    };
    let bytes = files::read(&file, LARGEST_FILE_BYTES).map_err(unreadable)?;
    let text = String::from_utf8(bytes).map_err(|error| {
        let line =
            error.as_bytes()[..error.utf8_error().valid_up_to()].iter().filter(|&&b| b == b'\n').count();
        SessionError {
            file: file.clone(),
            line: Some(line + 1),
            message: "this is not text in UTF-8; save the session file as UTF-8".to_owned(),
        }
    })?;
    parse(&file, &text)
}

/// Parses the text of a session file; `file` gives the folder that its paths are relative to.
pub fn parse(file: &Path, text: &str) -> Result<Session, SessionError> {
    let document = Document::new(file, text);
    let root = document.root()?;
    let mut table = Table::root(&document, &root);
    let folder = match file.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent.to_path_buf(),
        _ => std::path::PathBuf::from("."),
    };
    let mut notes = Vec::new();

    let title = table.required_text("title", "\"Thin pair against thick pair\"")?;
    if title.trim().is_empty() {
        return Err(table.error_at("title", "the title is empty; say in a few words what is compared"));
    }
    let protocols: Vec<(&str, Protocol)> = Protocol::ALL.iter().map(|p| (p.name(), *p)).collect();
    let protocol =
        table.choice("protocol", &protocols)?.ok_or_else(|| table.missing("protocol", "\"abx\""))?;
    // A session that looks for a threshold says there how many trials that takes.
    let trials = match table.whole("trials", 1, 1000)? {
        Some(trials) => trials as u32,
        None if table.has("threshold") => 1,
        None => return Err(table.missing("trials", "16")),
    };
    let alpha = table.probability("alpha")?.unwrap_or(0.05);
    let levels = table
        .choice("levels", &[("as-wired", Levels::AsWired), ("matched", Levels::Matched)])?
        .unwrap_or(Levels::AsWired);
    let switching = table
        .choice("switching", &[("instant", Switching::Instant), ("gap", Switching::Gap)])?
        .unwrap_or(Switching::Instant);
    let family =
        table.choice("family", &[("holm", Family::Holm), ("none", Family::None)])?.unwrap_or(Family::Holm);
    let warm_up = table.whole("warm_up", 0, 100)?.unwrap_or(0) as u32;
    let confidence = table.flag("confidence")?.unwrap_or(false);
    let invented = table.flag("invented")?.unwrap_or(false);
    let prepared_by = table.texts("prepared_by")?.unwrap_or_default();
    if prepared_by.iter().any(|name| name.trim().is_empty()) {
        return Err(table.error_at("prepared_by", "a name is empty; write prepared_by = [\"Ada\", \"Ben\"]"));
    }
    let facts = super::facts::facts(&mut table)?;
    let yardstick = table.text("yardstick")?.map(|path| folder.join(path));
    if yardstick.as_ref().is_some_and(|path| !path.exists()) {
        return Err(table.error_at(
            "yardstick",
            "there is no such folder; it names the session in which listeners find their own smallest step",
        ));
    }
    let missing_as_wrong =
        table.choice("missing_votes", &[("reported", false), ("wrong", true)])?.unwrap_or(false);
    let rest_after_minutes = rest_after(&mut table)?;
    let asked = asked::asked(&mut table, protocol)?;
    let heard_at_least_ms = asked::heard_at_least(&mut table)?;
    let stopping = asked::stopping(&mut table, asked.inquiry, trials)?;

    let amplifier = match table.table("amplifier")? {
        Some(mut inner) => {
            let amplifier = electrical::amplifier(&mut inner, &folder, &mut notes)?;
            inner.finish()?;
            amplifier
        }
        None => return Err(table.missing("amplifier", "{ output_resistance = \"20 mohm\" }")),
    };
    let loudspeaker = match table.table("loudspeaker")? {
        Some(mut inner) => {
            let loudspeaker = electrical::loudspeaker(&mut inner, &folder, &mut notes)?;
            inner.finish()?;
            loudspeaker
        }
        None => return Err(table.missing("loudspeaker", "{ resistance = \"8 ohm\" }")),
    };
    let clip_names = names(&mut table, "clips")?;
    let cables = cables(&mut table, &folder, &clip_names, &mut notes)?;
    let clips = clips(&mut table, &folder)?;
    let comparisons = comparisons(&mut table, &cables, &clips, &mut notes)?;
    let (qualification, of_qualification) = qualification(&mut table, protocol)?.unzip();
    let switcher = super::switcher::switcher(&mut table, &folder, &cables, &comparisons)?;
    if let Some(switcher) = &switcher {
        let [one, two] = switcher.terminals.map(|cable| cables[cable].name.as_written());
        notes.push(format!(
            "Real cables are switched: terminal 1 is {one}, terminal 2 is {two}. What the circuit says of them is for comparison; nothing \
             of it is played."
        ));
    }
    let mut controls = controls(&mut table, &asked, qualification)?;
    let threshold = super::threshold::threshold(&mut table, &asked, stopping, &mut controls)?;
    let (threshold, trials) =
        threshold.map_or((None, trials), |(threshold, trials)| (Some(threshold), trials));
    if let Some(inner) = of_qualification {
        if controls.iter().all(|control| control.kind == ControlKind::Identical) {
            return Err(inner.error("a qualification is drawn from the positive controls; add a [[controls]] table such as kind = \"level\""));
        }
        inner.finish()?;
    }
    let panel = super::panel::panel(
        &mut table,
        asked.inquiry,
        stopping,
        &controls,
        qualification.is_some(),
        comparisons.len(),
    )?;
    if let Some(panel) = panel.as_ref().filter(|own| own.order_of_comparisons == ComparisonOrder::Williams) {
        let (sittings, rows) =
            (panel.listeners * panel.sittings_each, williams::rows(comparisons.len()) as u32);
        if !sittings.is_multiple_of(rows) {
            notes.push(format!(
                "The design for {} comparisons has {rows} orders, and {sittings} sittings cannot use each equally often: {} would.",
                comparisons.len(),
                sittings.next_multiple_of(rows)
            ));
        }
    }
    let club = super::club::club(&mut table, &folder)?;
    let wager = wager(&mut table, &asked, stopping, &comparisons, &cables)?;
    if threshold.is_some() && panel.is_some() {
        return Err(table.error_at(
            "panel",
            "a panel pools right answers to one difference, and [threshold] changes its size: remove one of both",
        ));
    }
    if switcher.is_some() && threshold.is_some() {
        return Err(table.error_at(
            "switcher",
            "a real cable has no other size than its own, and [threshold] changes it: remove one of both",
        ));
    }
    if threshold.is_some() && wager.is_some() {
        return Err(table.error_at(
            "wager",
            "a bet is about the real difference, and [threshold] changes its size from trial to trial: settle the bet in a session of its own",
        ));
    }
    let session = Session {
        file: file.to_path_buf(),
        folder,
        source: text.to_owned(),
        inputs: document.inputs(),
        title: Written::new(title),
        protocol,
        attribute: asked.attribute.map(Written::new),
        attribute_side_b: asked.more == Side::B,
        sides: asked.inquiry.sides,
        heard_at_least_ms,
        trials,
        warm_up,
        alpha,
        levels,
        switching,
        family,
        stopping,
        confidence,
        missing_as_wrong,
        rest_after_minutes,
        qualification,
        amplifier,
        loudspeaker,
        cables,
        clips,
        comparisons,
        controls,
        threshold,
        panel,
        club,
        wager,
        prepared_by: prepared_by.into_iter().map(Written::new).collect(),
        facts,
        yardstick,
        switcher,
        invented,
        notes,
    };
    super::recorded::check(&table, &session)?;
    table.finish()?;
    Ok(session)
}

/// Names of the tables below a key, before anything is read from them.
fn names(table: &mut Table<'_>, key: &'static str) -> Result<Vec<String>, SessionError> {
    let inner = table.table(key)?;
    let tables = inner.map_or(Ok(Vec::new()), |inner| inner.named_tables())?;
    Ok(tables.into_iter().map(|(name, _)| name).collect())
}

fn rest_after(table: &mut Table<'_>) -> Result<f64, SessionError> {
    let minutes = table.quantity("rest_after", Dimension::Time)?.map_or(20.0, |seconds| seconds / 60.0);
    if (1.0..=20.0).contains(&minutes) {
        Ok(minutes)
    } else {
        Err(table.error_at(
            "rest_after",
            format!("{} min is outside what is allowed, 1 to 20 min of listening", written(minutes)),
        ))
    }
}

/// Names that stand in file names (`<comparison>-<clip>-a.wav`) and on screens.
fn check_name(table: &Table<'_>, kind: &str, name: &str) -> Result<(), SessionError> {
    let safe = |c: char| c.is_alphanumeric() || matches!(c, '-' | '_' | '.');
    if name.is_empty() || name.chars().count() > 60 || name.starts_with('.') || !name.chars().all(safe) {
        return Err(table.error(format!(
            "\"{}\" cannot be the name of a {kind}: use 1 to 60 letters, digits, '-', '_' and '.', not starting \
             with '.', since it becomes part of file names",
            foreign::shortened(name)
        )));
    }
    Ok(())
}

fn cables(
    table: &mut Table<'_>,
    folder: &Path,
    clips: &[String],
    notes: &mut Vec<String>,
) -> Result<Vec<NamedCable>, SessionError> {
    let Some(inner) = table.table("cables")? else {
        return Err(table.missing("cables", "a table [cables.NAME] for each cable"));
    };
    let mut cables = Vec::new();
    for (name, mut cable) in inner.named_tables()? {
        check_name(&cable, "cable", &name)?;
        let parsed = electrical::cable(&mut cable, folder, notes)?;
        let recorded = super::recorded::recorded(&mut cable, folder, clips)?;
        cable.finish()?;
        cables.push(NamedCable { name: Written::new(name), cable: parsed, recorded });
    }
    Ok(cables)
}

fn clips(table: &mut Table<'_>, folder: &Path) -> Result<Vec<Clip>, SessionError> {
    let Some(inner) = table.table("clips")? else {
        return Err(table.missing("clips", "a table [clips.NAME] with `file` or `synth` for each clip"));
    };
    let mut clips = Vec::new();
    for (name, mut clip) in inner.named_tables()? {
        check_name(&clip, "clip", &name)?;
        let source = clip_source(&mut clip, folder)?;
        clip.finish()?;
        clips.push(Clip { name: Written::new(name), source });
    }
    Ok(clips)
}

fn clip_source(clip: &mut Table<'_>, folder: &Path) -> Result<ClipSource, SessionError> {
    let length = clip.quantity("length", Dimension::Time)?;
    if let Some(seconds) = length.filter(|seconds| *seconds <= 0.0) {
        return Err(clip.error_at(
            "length",
            format!("{} s is not a length; give one such as \"8 s\"", written(seconds)),
        ));
    }
    match (clip.text("file")?, clip.text("synth")?) {
        (Some(_), Some(_)) => Err(clip.error("has both `file` and `synth`; a clip is one of them")),
        (None, None) => Err(clip.missing("file", "\"strings.flac\" (or synth = \"plucked-strings\")")),
        (Some(file), None) => {
            let start_seconds = clip.quantity("start", Dimension::Time)?.unwrap_or(0.0);
            for (key, seconds) in [("start", Some(start_seconds)), ("length", length)] {
                if let Some(seconds) = seconds.filter(|seconds| !(0.0..=LONGEST_SECONDS).contains(seconds)) {
                    let text = format!(
                        "{} s: 0 s to {LONGEST_SECONDS} s are allowed, a whole day",
                        written(seconds)
                    );
                    return Err(clip.error_at(key, text));
                }
            }
            let path = folder.join(&file);
            if path.is_dir() {
                return Err(clip
                    .error_at("file", format!("{} is a folder; name one sound file in it", path.display())));
            }
            if !path.exists() {
                return Err(clip.error_at(
                    "file",
                    format!(
                        "there is no file {}; paths are relative to the session's folder",
                        path.display()
                    ),
                ));
            }
            clip.reads(&file, &path, None);
            Ok(ClipSource::File { path, start_seconds, length_seconds: length })
        }
        (None, Some(name)) => {
            let names = crate::clip::SYNTH_NAMES;
            if !names.contains(&name.as_str()) {
                return Err(clip.error_at("synth", not_among(&name, &names)));
            }
            let length_seconds = length.unwrap_or(10.0);
            if !SYNTHESISED_SECONDS.contains(&length_seconds) {
                let (shortest, longest) = (SYNTHESISED_SECONDS.start(), SYNTHESISED_SECONDS.end());
                return Err(clip.error_at(
                    "length",
                    format!(
                        "{} s: a synthesised clip is {shortest} s to {longest} s long",
                        written(length_seconds)
                    ),
                ));
            }
            let rate = clip.quantity("rate", Dimension::Frequency)?.unwrap_or(48_000.0);
            let (lowest, highest) = (f64::from(*RATES_HZ.start()), f64::from(*RATES_HZ.end()));
            if !(lowest..=highest).contains(&rate) || rate.fract() != 0.0 {
                return Err(clip.error_at(
                    "rate",
                    format!(
                        "{} Hz is not a sample rate that is allowed: give a whole number from {lowest} Hz to {highest} Hz",
                        written(rate)
                    ),
                ));
            }
            let seed = clip.whole("seed", 0, u64::from(u32::MAX))?.unwrap_or(1);
            Ok(ClipSource::Synth { name, length_seconds, rate_hz: rate as u32, seed })
        }
    }
}

fn comparisons(
    table: &mut Table<'_>,
    cables: &[NamedCable],
    clips: &[Clip],
    notes: &mut Vec<String>,
) -> Result<Vec<Comparison>, SessionError> {
    let cable_names: Vec<&str> = cables.iter().map(|cable| cable.name.as_written()).collect();
    let clip_names: Vec<&str> = clips.iter().map(|clip| clip.name.as_written()).collect();
    let mut comparisons: Vec<Comparison> = Vec::new();
    let mut stems: BTreeMap<String, String> = BTreeMap::new();
    for mut inner in table.tables("comparisons")? {
        let a = inner.required_text("a", "\"flex\"")?;
        let b = inner.required_text("b", "\"braid\"")?;
        let name = inner.text("name")?.unwrap_or_else(|| format!("{a}-{b}"));
        check_name(&inner, "comparison", &name)?;
        if comparisons.iter().any(|other| other.name.as_written() == name) {
            return Err(
                inner.error(format!("a second comparison is named \"{name}\"; give each its own `name`"))
            );
        }
        let find = |key: &str, names: &[&str], wanted: &str, kind: &str| {
            names.iter().position(|name| *name == wanted).ok_or_else(|| {
                inner.error_at(key, format!("no {kind} of this name: {}", not_among(wanted, names)))
            })
        };
        let a_index = find("a", &cable_names, &a, "cable")?;
        let b_index = find("b", &cable_names, &b, "cable")?;
        if a_index == b_index {
            notes.push(format!(
                "comparison {name}: both sides are the cable {a}, so nobody can be right by hearing"
            ));
        }
        let listed =
            inner.texts("clips")?.unwrap_or_else(|| clip_names.iter().map(|&n| n.to_owned()).collect());
        let find = |wanted: &str| {
            clip_names.iter().position(|name| *name == wanted).ok_or_else(|| {
                inner.error_at("clips", format!("no clip of this name: {}", not_among(wanted, &clip_names)))
            })
        };
        let mut indices = Vec::new();
        for wanted in &listed {
            let index = find(wanted)?;
            if indices.contains(&index) {
                return Err(inner.error_at("clips", format!("\"{wanted}\" stands in the list twice")));
            }
            indices.push(index);
        }
        if indices.is_empty() {
            return Err(inner.error("a comparison needs at least one clip"));
        }
        for wanted in &listed {
            let stem = format!("{name}-{wanted}");
            let here = format!("comparison \"{name}\" on clip \"{wanted}\"");
            if let Some(other) = stems.insert(stem.to_lowercase(), here.clone()) {
                let message =
                    format!("{here} and {other} would share the file name {stem}-a.wav; rename one");
                return Err(inner.error(message));
            }
        }
        inner.finish()?;
        comparisons.push(Comparison { name: Written::new(name), a: a_index, b: b_index, clips: indices });
    }
    if comparisons.is_empty() {
        return Err(
            table.missing("comparisons", "[{ a = \"flex\", b = \"braid\" }], or a table [[comparisons]]")
        );
    }
    Ok(comparisons)
}

fn controls(
    table: &mut Table<'_>,
    asked: &Asked,
    qualification: Option<Qualification>,
) -> Result<Vec<Control>, SessionError> {
    let mut controls = Vec::new();
    for mut inner in table.tables("controls")? {
        let name =
            inner.choice("kind", &ControlName::ALL)?.ok_or_else(|| inner.missing("kind", "\"level\""))?;
        let decibels = |inner: &mut Table<'_>| -> Result<f64, SessionError> {
            let amount = inner
                .quantity("amount", Dimension::Level)?
                .ok_or_else(|| inner.missing("amount", "\"1 dB\""))?;
            if amount == 0.0 || amount.abs() > CONTROL_DECIBELS {
                return Err(inner.error_at(
                    "amount",
                    format!(
                        "{} dB: a control adds something, and at most {CONTROL_DECIBELS} dB for the sake of ears; \
                         kind = \"identical\" is the control with nothing added",
                        written(amount)
                    ),
                ));
            }
            Ok(amount)
        };
        let kind = match name {
            ControlName::Level => ControlKind::Level { decibels: decibels(&mut inner)? },
            ControlName::Tilt => ControlKind::Tilt { decibels: decibels(&mut inner)? },
            ControlName::HeadMovement => {
                let metres = inner
                    .quantity("amount", Dimension::Length)?
                    .ok_or_else(|| inner.missing("amount", "\"10 cm\""))?;
                if metres <= 0.0 || metres > HEAD_MOVEMENT_METRES {
                    return Err(inner.error_at(
                        "amount",
                        format!(
                            "{} m: a head moves more than 0 and at most {HEAD_MOVEMENT_METRES} m",
                            written(metres)
                        ),
                    ));
                }
                ControlKind::HeadMovement { metres }
            }
            ControlName::Identical => {
                if inner.has("amount") {
                    return Err(inner.error_at("amount", "an identical control has no amount; remove it"));
                }
                ControlKind::Identical
            }
            ControlName::Largest => {
                return Err(inner.error_at("kind", "belongs to [threshold]; write catch_trials = 2 there"));
            }
        };
        let trials = inner.whole("trials", 0, 100)?.ok_or_else(|| inner.missing("trials", "2"))? as u32;
        if trials == 0 && (qualification.is_none() || kind == ControlKind::Identical) {
            return Err(inner.error_at(
                "trials",
                "0: only a positive control that [qualification] draws from may have no trials among the counted ones; set 1 to 100",
            ));
        }
        // Whoever is asked which one is different needs no side with more of the attribute.
        let only_odd = trials == 0 && qualification.is_some_and(|own| own.protocol != asked.inquiry.protocol);
        let more = if only_odd { None } else { asked::more(&mut inner, asked, kind)? };
        inner.finish()?;
        controls.push(Control { kind, trials, more });
    }
    Ok(controls)
}

/// The table `qualification`; it is finished once the controls are known.
fn qualification<'t>(
    table: &mut Table<'t>,
    protocol: Protocol,
) -> Result<Option<(Qualification, Table<'t>)>, SessionError> {
    let Some(mut inner) = table.table("qualification")? else { return Ok(None) };
    let alike: Vec<(&str, Protocol)> = Protocol::ALL
        .into_iter()
        .filter(|&other| other == protocol || other.asks() == Asks::Difference)
        .map(|other| (other.name(), other))
        .collect();
    let asked = inner.choice("protocol", &alike)?.unwrap_or(protocol);
    if !asked.asks().has_right_answer() {
        return Err(inner.error(
            "a preference has no right answer, so nobody can qualify by it; ask the qualification with a protocol of its \
             own, such as protocol = \"triangle\", or remove it",
        ));
    }
    let trials = inner.whole("trials", 1, 100)?.ok_or_else(|| inner.missing("trials", "4"))?;
    let correct = inner.whole("correct", 1, trials)?.ok_or_else(|| inner.missing("correct", "4"))?;
    Ok(Some((Qualification { trials: trials as u32, correct: correct as u32, protocol: asked }, inner)))
}

fn wager(
    table: &mut Table<'_>,
    asked: &Asked,
    stopping: Stopping,
    comparisons: &[Comparison],
    cables: &[NamedCable],
) -> Result<Option<Wager>, SessionError> {
    let Some(mut inner) = table.table("wager")? else { return Ok(None) };
    let names: Vec<&str> = cables.iter().map(|cable| cable.name.as_written()).collect();
    let side = asked::wagered_side(&mut inner, asked, comparisons, &names)?;
    let mut written = |key, example| inner.required_text(key, example).map(Written::new);
    let wager = Wager {
        claimant: written("claimant", "\"Ada\"")?,
        skeptic: written("skeptic", "\"Ben\"")?,
        claim: written("claim", "\"I hear the thick cable every time\"")?,
        claimant_wins: written("claimant_wins", "\"Ben cooks dinner\"")?,
        skeptic_wins: written("skeptic_wins", "\"Ada cooks dinner\"")?,
        side,
        deciding: deciding(&mut inner, stopping)?,
    };
    inner.finish()?;
    Ok(Some(wager))
}

/// Which sittings decide a wager. How many is fixed before the first one, or sitting on until it fits would win.
fn deciding(wager: &mut Table<'_>, stopping: Stopping) -> Result<Deciding, SessionError> {
    let all_together =
        wager.choice("deciding_sitting", &[("first", false), ("all-together", true)])?.unwrap_or(false);
    match (all_together, wager.whole("sittings", 1, 100)?) {
        (false, None) => Ok(Deciding::First),
        (false, Some(_)) => Err(wager.error_at(
            "sittings",
            "belongs to deciding_sitting = \"all-together\"; with \"first\" there is one that decides",
        )),
        (true, None) => {
            Err(wager.missing("sittings", "2 (how many of the claimant's sittings decide together)"))
        }
        (true, Some(_)) if stopping != Stopping::AllTrials => Err(wager.error_at(
            "deciding_sitting",
            "a sequential rule decides within one sitting; use \"first\", or leave [stopping] out",
        )),
        (true, Some(sittings)) => Ok(Deciding::AllTogether { sittings: sittings as u32 }),
    }
}
