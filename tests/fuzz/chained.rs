//! Records without their chain, one a line, that a forger changed and chained anew: refused, or they say of every trial what the
//! honest journal said.

use std::path::Path;
use std::sync::OnceLock;

use earwitness::trial::{Checked, Digest, journal, verify};

use super::Outcome;

/// The honest journal, in the folder of the attack.
pub(crate) const HONEST: &str = "honest.jsonl";

/// Lines as `(utc, record)`, from `"utc_ms"` on.
pub(crate) fn bodies(bytes: &[u8]) -> Vec<String> {
    let text = std::str::from_utf8(bytes).expect("text");
    let body = |line: &str| {
        let (from, to) =
            (line.find(",\"utc_ms\"").expect("a time"), line.rfind(",\"check\"").expect("a check"));
        line[from..to].to_owned()
    };
    text.lines().map(body).collect()
}

/// A journal of these lines.
pub(crate) fn chained(bodies: impl IntoIterator<Item = impl AsRef<str>>) -> Vec<u8> {
    let (mut chain, mut bytes) = (Digest::NOTHING, Vec::new());
    for (index, body) in bodies.into_iter().enumerate() {
        let covered = format!("{{\"number\":{},\"chain\":\"{chain}\"{}", index + 1, body.as_ref());
        let line = format!("{covered},\"check\":\"{}\"}}", &Digest::of(covered.as_bytes()).hex()[..16]);
        chain = Digest::of(line.as_bytes());
        bytes.extend_from_slice(line.as_bytes());
        bytes.push(b'\n');
    }
    bytes
}

/// A journal as it is checked, if it is one.
pub(crate) fn checked(bytes: &[u8]) -> Option<Checked> {
    journal::read_from(Path::new("changed"), &mut &bytes[..]).ok().map(|journal| verify::verify(&journal))
}

/// What it says of every trial.
pub(crate) fn told(checked: &Checked) -> String {
    let trials: Vec<_> = checked
        .answers
        .iter()
        .map(|answer| (answer.id, answer.answer, answer.right, answer.presented, answer.void.is_some()))
        .collect();
    format!("{trials:?} {:?}", checked.counts)
}

/// Chains the lines anew and holds what is read against the honest journal.
pub(super) fn forged(bytes: &[u8], folder: &Path) -> Outcome {
    static HONEST_SAYS: OnceLock<String> = OnceLock::new();
    let honest = HONEST_SAYS.get_or_init(|| {
        let bytes = std::fs::read(folder.join(HONEST)).expect("an honest journal");
        told(&checked(&bytes).expect("a journal"))
    });
    let text = String::from_utf8_lossy(bytes);
    match checked(&chained(text.lines())) {
        Some(checked) if checked.is_sound() => {
            assert!(told(&checked) == *honest, "a changed journal says something else");
            Ok(())
        }
        Some(checked) => Err(checked.problems.first().map_or("it is not closed".to_owned(), |found| {
            earwitness::units::foreign::shown(&format!("{found:?}"))
        })),
        None => Err("it is no journal".to_owned()),
    }
}
