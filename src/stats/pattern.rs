//! Answers that follow a pattern and not the sound: how regular a run of answers is, and how often draws make it so.
//!
//! A listener whose answers follow the sound answers as the draws fall: each alternative is equally likely in each trial,
//! whatever came before, and so is every run of `n` answers. Exact by counting (Moebius inversion over the primitive words of
//! a length; runs are at least twice as long as their period, so that by the theorem of Fine and Wilf, Proceedings of the
//! American Mathematical Society 16:109, 1965, none is counted for two periods that do not divide each other).

/// The shortest period, in trials, after which all answers repeat (1: all are alike); `None` where they do not repeat at
/// least once as a whole.
pub fn period(answers: &[u8]) -> Option<usize> {
    (1..=answers.len() / 2)
        .find(|&period| answers[period..].iter().zip(answers).all(|(one, before)| one == before))
}

/// The probability that `trials` answers, drawn from so many `alternatives`, repeat after `period` trials or fewer.
///
/// `period` is at most half of `trials`.
pub fn chance(period: usize, trials: usize, alternatives: usize) -> f64 {
    let of = alternatives as f64;
    let mut primitive: Vec<f64> = Vec::new();
    for length in 1..=period {
        let repeated: f64 =
            (1..length).filter(|part| length % part == 0).map(|part| primitive[part - 1]).sum();
        primitive.push(of.powi(length as i32) - repeated);
    }
    // Divided one by one: the count of all runs may be beyond every number.
    primitive.iter().map(|words| (words.ln() - trials as f64 * of.ln()).exp()).sum()
}

#[cfg(test)]
mod tests {
    use super::{chance, period};

    #[test]
    fn counted_one_by_one() {
        for (alternatives, trials) in [(2_usize, 6_u32), (2, 11), (3, 6), (3, 7)] {
            let all = alternatives.pow(trials);
            let run = |number: usize| -> Vec<u8> {
                (0..trials).map(|place| (number / alternatives.pow(place) % alternatives) as u8).collect()
            };
            for most in 1..=trials as usize / 2 {
                let found =
                    (0..all).filter(|&number| period(&run(number)).is_some_and(|found| found <= most));
                let counted = found.count() as f64 / all as f64;
                let expected = chance(most, trials as usize, alternatives);
                assert!(
                    (counted / expected - 1.0).abs() < 1e-12,
                    "{alternatives}, {trials}, {most}: {counted}"
                );
            }
        }
    }

    #[test]
    fn a_run_that_does_not_repeat_has_no_period() {
        assert_eq!(period(&[0, 1, 1, 0, 1, 0]), None);
        assert_eq!(period(&[0]), None);
        assert_eq!(period(&[1, 1, 1, 1]), Some(1));
        assert_eq!(period(&[0, 1, 0, 1, 0]), Some(2));
    }
}
