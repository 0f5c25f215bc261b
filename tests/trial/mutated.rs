//! Journals that somebody changed and chained anew by machine, by the thousand: each is refused, or still says of every trial
//! what the honest one said. `EARWITNESS_ATTACKS=200000` tries so many.

use earwitness::stats::Protocol;

use super::kit;
use crate::fuzz::targets::chained::{bodies, chained, checked, told};

/// Numbers without a pattern (splitmix64: Steele, Lea and Flood 2014), the same in each run.
pub(crate) struct Dice(pub(crate) u64);

impl Dice {
    pub(crate) fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut mixed = self.0;
        mixed = (mixed ^ (mixed >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        mixed = (mixed ^ (mixed >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((mixed ^ (mixed >> 31)) % n as u64) as usize
    }
}

/// One to three changes that a program would make: another digit or letter, a piece of another record, a record twice, away,
/// or at another place.
fn mutate(bodies: &mut Vec<String>, dice: &mut Dice) {
    for _ in 0..=dice.below(3) {
        let (at, other) = (dice.below(bodies.len()), dice.below(bodies.len()));
        match dice.below(8) {
            0 => bodies.swap(at, other),
            1 if bodies.len() > 1 => drop(bodies.remove(at)),
            2 => bodies.insert(at, bodies[other].clone()),
            3 => {
                // The value of one field becomes that of another.
                let fields: Vec<(usize, usize)> = bodies[at]
                    .match_indices("\":")
                    .map(|(colon, _)| {
                        let from = colon + 2;
                        let to = bodies[at][from..].find([',', '}']).map_or(from, |end| from + end);
                        (from, to)
                    })
                    .collect();
                let (one, two) = (fields[dice.below(fields.len())], fields[dice.below(fields.len())]);
                let value = bodies[at][two.0..two.1].to_owned();
                bodies[at].replace_range(one.0..one.1, &value);
            }
            _ => {
                let places: Vec<usize> = bodies[at]
                    .match_indices(|c: char| c.is_ascii_alphanumeric())
                    .map(|(place, _)| place)
                    .collect();
                let place = places[dice.below(places.len())];
                let letters =
                    if bodies[at].as_bytes()[place].is_ascii_digit() { "0123456789" } else { "abcdefx" };
                let letter = dice.below(letters.len());
                bodies[at].replace_range(place..=place, &letters[letter..=letter]);
            }
        }
    }
}

#[test]
fn journals_changed_and_chained_anew_by_machine_change_no_result() {
    let attacks = std::env::var("EARWITNESS_ATTACKS").map_or(400, |count| count.parse().expect("a number"));
    let honest = crate::fuzz::honest();
    let sound = checked(&honest).expect("a journal");
    assert!(sound.is_sound(), "{:?}", sound.problems);
    assert_eq!(chained(bodies(&honest)), honest, "chained anew it is the same");
    let (mut dice, mut refused) = (Dice(1), 0);
    for attack in 0..attacks {
        let mut changed = bodies(&honest);
        mutate(&mut changed, &mut dice);
        match checked(&chained(&changed)) {
            Some(other) if other.is_sound() => {
                assert!(told(&other) == told(&sound), "attack {attack} changed a result: {changed:#?}");
            }
            Some(_) | None => refused += 1,
        }
    }
    // What it may change is what nobody can derive: names, times, devices.
    assert!(refused * 2 > attacks, "{refused} of {attacks} were refused");
    eprintln!("{refused} of {attacks} changed journals were refused; the others say the same of every trial");
}

/// Found as attacks 48,542 and 83,369: a pair that was renamed to another control or comparison changes what its trials were.
#[test]
fn a_pair_of_stimuli_that_is_renamed_is_refused() {
    let honest = kit::in_memory(&kit::full(Protocol::Abx), 91).finish().journal.bytes;
    for (was, is) in [
        ("\"clip\":1,\"control\":1,", "\"clip\":1,\"control\":2,"),
        ("\"stimuli\":[{\"comparison\":0,\"clip\":0,", "\"stimuli\":[{\"comparison\":1,\"clip\":0,"),
    ] {
        let mut changed = bodies(&honest);
        // The last of them: that of the comparison that has this clip.
        let at = changed[0].rfind(was).expect("it is there");
        changed[0].replace_range(at..at + was.len(), is);
        let refused = checked(&chained(&changed)).is_none_or(|checked| !checked.is_sound());
        assert!(refused, "{is}");
    }
}
