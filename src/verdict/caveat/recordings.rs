//! Caveats about recordings that are played as the two sides.

use super::{Case, Caveat, Kind, Weight, when};
use crate::session::Takes;
use crate::stimulus::recorded::{MarkFacts, Telltale};
use crate::units::printed;

pub(super) fn recordings(case: &Case<'_>) -> Vec<Caveat> {
    let terms = &case.agreed.terms;
    // Whether some control plays side A recorded twice.
    let controlled = terms.controls.iter().any(|control| !control.is_positive() && control.trials > 0);
    let names = |wanted: bool| -> Vec<&str> {
        let is_tested = |takes: Takes| controlled && takes == Takes::Two;
        let recorded = terms
            .comparisons
            .iter()
            .filter(|own| own.recorded.is_some_and(|takes| is_tested(takes) == wanted));
        recorded.map(|own| own.name.as_str()).collect()
    };
    let (tested, untested) = (names(true), names(false));
    let mut found = when(!untested.is_empty(), || Caveat {
        kind: Kind::Recordings,
        weight: Weight::Serious,
        text: format!(
            "{}: both sides are recordings, and no control plays one cable recorded twice. Noise, drift or the interface could give \
             a side away, and nobody tested whether they do.",
            untested.join(", ")
        ),
        remedy: "Record side A twice (recording_again) and add an identical control.",
    });
    found.extend(when(!tested.is_empty(), || Caveat {
        kind: Kind::Recordings,
        weight: Weight::Minor,
        text: format!(
            "{}: both sides are recordings, with the interface's noise and distortion in them. The identical controls play side A \
             recorded twice: answers that were right there came from the recordings and not from the cables.",
            tested.join(", ")
        ),
        remedy: "Keep the recordings: anybody who doubts them can measure them with the `bench` commands.",
    }));
    found
}

/// What the journals say of recordings, one sentence each, every one once: comparison, and what could tell the two apart;
/// `None` where nobody could look for marks, or where an older program did not write down what it found.
fn said<'c>(case: &Case<'c>) -> Vec<(&'c str, Option<(&'c Telltale, &'c str)>)> {
    let mut all = Vec::new();
    for pair in case.evidence.stimuli.iter().flat_map(|set| &set.pairs) {
        let mut agreed = case.agreed.terms.comparisons.iter();
        let facts = pair.recorded.as_ref();
        let recorded =
            facts.is_some() || agreed.any(|own| own.name == pair.comparison && own.recorded.is_some());
        if !recorded || pair.control.is_some() || pair.size.is_some() {
            continue;
        }
        let mut add = |one| {
            if !all.contains(&one) {
                all.push(one);
            }
        };
        if facts.is_none_or(|facts| facts.marks_against.is_none()) {
            add((&*pair.comparison, None));
        }
        for found in facts.iter().flat_map(|facts| &facts.found) {
            add((&*pair.comparison, Some((found, &*pair.clip))));
        }
    }
    all
}

/// Where a mark is, and how strong.
fn place(mark: &MarkFacts) -> String {
    let at = mark
        .at_s
        .map_or_else(String::new, |at| format!(", most of all {} into the clip", printed::fixed(at, 2, "s")));
    format!(
        "around {}, {} below the loudest band, in {} of the clip{at}",
        printed::hertz(mark.at_hz),
        printed::fixed(-mark.level_db, 0, "dB"),
        printed::percent(mark.share)
    )
}

/// One thing that could tell recordings apart, as the end of a sentence; `None` for what stands in a caveat of its own.
fn sentence(told: &Telltale) -> Option<String> {
    Some(match told {
        Telltale::Mark(mark) => {
            format!("only one of the two recordings holds something that no filter makes, {}", place(mark))
        }
        Telltale::MarkOfRepeat(mark) => format!(
            "of the two recordings of cable A only one holds something that no filter makes, {}, so the same in cable B's would \
             pass for usual",
            place(mark)
        ),
        Telltale::Noise { by_db, at_hz } => format!(
            "the recording of {} is noisier, by up to {} around {}",
            if *by_db > 0.0 { "A" } else { "B" },
            printed::fixed(by_db.abs(), 1, "dB"),
            printed::hertz(*at_hz)
        ),
        Telltale::BitDepth { a, b } => {
            let bits = |bits: &Option<u32>| bits.map_or("more than 24".to_owned(), |bits| bits.to_string());
            format!("the recording of A has steps of {} bits and that of B of {}", bits(a), bits(b))
        }
        Telltale::Offset { offset } => format!(
            "the DC offsets are {} of full scale apart, and a switch could click",
            printed::fixed(100.0 * offset.abs(), 2, "%")
        ),
        Telltale::Circuit { .. } => return None,
    })
}

pub(super) fn told(case: &Case<'_>) -> Vec<Caveat> {
    let said = said(case);
    let sentences: Vec<String> = (said.iter())
        .filter_map(|(comparison, told)| {
            let (told, clip) = told.as_ref()?;
            Some(format!("{comparison} on {clip}: {}.", sentence(told)?))
        })
        .collect();
    let mut found = when(!sentences.is_empty(), || Caveat {
        kind: Kind::RecordingsTold,
        weight: Weight::Serious,
        text: format!(
            "{} Whoever knows this can tell A from B by it, whatever the cables do.",
            sentences.join(" ")
        ),
        remedy: "Record all of them again through the same leads and input. What stays is the equipment's: find it before the next \
                 sitting.",
    });
    let unseen: Vec<&str> =
        said.iter().filter(|(_, told)| told.is_none()).map(|(comparison, _)| *comparison).collect();
    found.extend(when(!unseen.is_empty(), || Caveat {
        kind: Kind::RecordingsTold,
        weight: Weight::Serious,
        text: format!(
            "{}: nobody looked for marks in the recordings (a tone, a click, hiss under the music) that could tell a listener which \
             one is played.",
            unseen.join(", ")
        ),
        remedy: "Record half a second of silence before the clip, and side A twice (recording_again); journals of older versions do \
                 not say what was found.",
    }));
    let circuits: Vec<String> = (said.iter())
        .filter_map(|(comparison, told)| match told {
            Some((Telltale::Circuit { off_db, shape_db, at_hz }, clip)) => Some(format!(
                "{comparison} on {clip}: the recorded difference is {} off what the circuit predicts, on the average, and up to {} \
                 beside that (around {}).",
                printed::signed_decibels(*off_db),
                printed::decibels(shape_db.abs()),
                printed::hertz(*at_hz)
            )),
            _ => None,
        })
        .collect();
    found.extend(when(!circuits.is_empty(), || Caveat {
        kind: Kind::RecordingsTold,
        weight: Weight::Minor,
        text: circuits.join(" "),
        remedy: "Either the circuit is described wrongly, or the recordings differ by more than the cables: measure both with `bench \
                 response`.",
    }));
    found
}
