//! The second verifier, in Python and written from the page of the format alone, agrees, on sound journals and on changed ones.

use std::path::Path;
use std::process::Command;

use earwitness::stats::Protocol;
use earwitness::trial::record::{Part, QualificationTerms, StoppingTerms};
use earwitness::trial::{Draft, Record};

use super::{kit, rounds, tampering};

const VERIFIER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/trial/verify.py");

/// The pages beside the one that goes through a journal.
const OWN: [&str; 6] = ["seals", "draws", "outcomes", "sizes", "witness", "cables"];

/// What the second verifier says of a journal: its receipt and, where a threshold is looked for, the levels of each
/// comparison's counted trials; or what does not hold.
pub(crate) fn python(path: &Path) -> Result<String, String> {
    let python = crate::tool("EARWITNESS_PYTHON");
    let output =
        Command::new(python).args(["-B", "-E", "-s", VERIFIER]).arg(path).output().expect("Python starts");
    let said = |bytes: &[u8]| String::from_utf8_lossy(bytes).trim().to_owned();
    match said(&output.stdout).strip_prefix("holds, receipt ") {
        Some(receipt) if output.status.success() => Ok(receipt.to_owned()),
        // The last line of what Python says of an error.
        _ => Err(said(&output.stderr).lines().last().unwrap_or_default().replace("AssertionError: ", "")),
    }
}

/// Both verifiers hold the journal for sound, with the same receipt; each holds its own counts against the closing's.
pub(crate) fn agree(path: &Path) {
    let checked = kit::check(path);
    assert!(checked.is_sound(), "{}: {:?}", path.display(), checked.problems);
    let receipt = checked.receipt.expect("a receipt").hex();
    let opening = checked.opening.as_ref().expect("an opening");
    let levels = |comparison: usize| -> Vec<usize> {
        let counted =
            checked.answers.iter().filter(|answer| answer.id.part == Part::Main && answer.void.is_none());
        // All votes on a trial of a night are on one size.
        let mut trials: Vec<_> = counted.collect();
        trials.dedup_by_key(|answer| answer.id);
        let stimuli =
            trials.into_iter().map(|answer| &opening.stimuli[answer.presented.expect("drawn").stimulus]);
        let own = stimuli.filter(|stimulus| stimulus.control.is_none() && stimulus.comparison == comparison);
        own.filter_map(|stimulus| stimulus.level).collect()
    };
    let all: Vec<Vec<usize>> = (0..opening.terms.comparisons.len()).map(levels).collect();
    let expected =
        if opening.terms.threshold.is_some() { format!("{receipt} sizes {all:?}") } else { receipt };
    assert_eq!(python(path), Ok(expected), "{}", path.display());
}

/// Short enough to be read at one sitting, and to be written by anybody else: the page that goes through a journal, and each of
/// those that it leans on.
#[test]
fn the_second_verifier_is_short_and_plain() {
    let folder = Path::new(VERIFIER).parent().expect("a folder");
    let page = |name: &str| std::fs::read_to_string(folder.join(name)).expect(name);
    let main = page("verify.py");
    assert!(main.lines().count() < 80, "{} lines", main.lines().count());
    for name in OWN {
        assert!(main.contains(&format!("{name}.py")), "verify.py does not say what {name}.py is");
        let page = page(&format!("{name}.py"));
        assert!(page.lines().count() < 120, "{name}.py: {} lines", page.lines().count());
        let widest = page.lines().chain(main.lines()).map(|line| line.chars().count()).max();
        assert!(
            widest <= Some(130) && page.contains("written from src/trial/FORMAT.md alone"),
            "{name}.py: {widest:?}"
        );
        // Python's own library and these pages: nothing that anybody would have to install or to trust.
        let imports = page
            .lines()
            .chain(main.lines())
            .filter(|line| line.starts_with("import ") || line.starts_with("from "));
        for line in imports {
            let known = ["hashlib", "json", "re", "sys", "struct", "math", "itertools"];
            let words = line.split([' ', ',']).filter(|word| !word.is_empty()).skip(1);
            let named: Vec<&str> = words.take_while(|word| *word != "import").collect();
            assert!(named.iter().all(|word| known.contains(word) || OWN.contains(word)), "{name}.py: {line}");
        }
    }
}

fn played(draft: &Draft, seed: u64, disturb: Option<u32>, right: bool) {
    let mut draft = draft.clone();
    if right {
        draft.simulated = Some(1.0);
    }
    let mut scripted = kit::in_memory(&draft, seed);
    scripted.disturb = disturb;
    if right {
        scripted.answering = kit::Answering::Right;
    }
    let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
    agree(&path);
}

#[test]
fn every_protocol_and_occasion() {
    for (seed, protocol) in Protocol::ALL.into_iter().enumerate() {
        let seed = seed as u64 + 60;
        played(&kit::full(protocol), seed, Some(4), false);
        played(&kit::draft(kit::terms(protocol)), seed, None, true);
        let (_folder, path) = kit::written(&super::night::played(protocol, seed).journal.bytes);
        agree(&path);
    }
}

/// A sitting that a sequential rule in both directions ends: at half the risk it takes longer than in one.
pub(crate) fn two_sided(protocol: Protocol) -> kit::Scripted<kit::Memory> {
    let mut draft = kit::draft(kit::terms(protocol));
    draft.terms.trials = 50;
    draft.terms.stopping = StoppingTerms::Sequential { alpha: 0.05, beta: 0.1, proportion: 0.9 };
    draft.terms.sides = Some(earwitness::stats::protocol::Sides::Two);
    draft.simulated = Some(1.0);
    let mut scripted = kit::in_memory(&draft, 74);
    scripted.answering = kit::Answering::Right;
    scripted.finish()
}

/// Times at which real cables are parted: from the key, in all verifiers; one millisecond more is refused by each.
#[test]
fn waits_of_real_cables() {
    let draft = rounds::over_cables(kit::full(Protocol::DuoTrio), false);
    played(&draft, 77, Some(4), false);
    let mut records = kit::in_memory(&draft, 77).finish().journal.records;
    let (line, listening) = records
        .iter_mut()
        .enumerate()
        .filter_map(|(line, record)| match record {
            Record::Answer { listening, .. } => Some((line, listening)),
            _ => None,
        })
        .nth(3)
        .expect("an answer");
    let presented = listening.presented.as_mut().expect("cables were switched");
    assert_eq!(presented.len(), 3, "each slot once");
    presented[1].apart_ms += 1;
    let (_folder, path) = kit::written(&tampering::rewritten(&records));
    assert_eq!(python(&path), Err(format!("record {}: waits", line + 1)));
    assert!(!kit::check(&path).is_sound());
}

#[test]
fn every_way_to_end() {
    let mut draft = kit::full(Protocol::Triangle);
    draft.terms.qualification = Some(QualificationTerms { trials: 7, correct: 7, protocol: None });
    played(&draft, 71, Some(2), false);
    draft.terms.qualification = Some(QualificationTerms { trials: 7, correct: 6, protocol: None });
    played(&draft, 71, Some(2), true);
    let mut draft = kit::draft(kit::terms(Protocol::DuoTrio));
    draft.terms.trials = 50;
    for proportion in [0.7, 0.9] {
        draft.terms.stopping = StoppingTerms::Sequential { alpha: 0.05, beta: 0.1, proportion };
        played(&draft, 72, None, true);
        played(&draft, 73, Some(9), false);
    }
    for protocol in [Protocol::Preference, Protocol::TwoAfc] {
        let (_folder, path) = kit::written(&two_sided(protocol).journal.bytes);
        agree(&path);
    }
    let mut scripted = kit::in_memory(&kit::full(Protocol::Abx), 75);
    for _ in 0..10 {
        scripted.step();
    }
    scripted.event(earwitness::trial::Event::Stop);
    let (_folder, path) = kit::written(&scripted.finish().journal.bytes);
    agree(&path);
}

#[test]
fn both_find_the_same_record_in_changed_journals() {
    let bytes = kit::in_memory(&kit::full(Protocol::Abx), 76).finish().journal.bytes;
    for at in (0..bytes.len()).step_by(bytes.len() / 25) {
        let mut changed = bytes.clone();
        changed[at] ^= 1;
        if changed[at] == b'\n' || bytes[at] == b'\n' {
            continue;
        }
        let number = bytes[..at].iter().filter(|&&byte| byte == b'\n').count() + 1;
        let (_folder, path) = kit::written(&changed);
        let problem = python(&path).expect_err("a changed byte");
        assert!(number == 1 || problem.starts_with(&format!("record {number}: ")), "byte {at}: {problem}");
        assert!(!kit::check(&path).is_sound());
    }
    let (_folder, path) = kit::written(&bytes[..bytes.len() / 2]);
    assert!(python(&path).is_err());
    let (_folder, path) = kit::written(b"hello\n");
    assert!(python(&path).is_err());
}
