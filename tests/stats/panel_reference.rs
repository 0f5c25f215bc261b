//! Panels against R: `tests/reference/panel.R` computes each value by itself (numerical integration, optimisers and
//! convolution of R 4.2.2), and boundaries that are published.

use earwitness::stats::crossed::{self, Cell};
use earwitness::stats::looks::{Looks, spending};
use earwitness::stats::tally::Tally;
use earwitness::stats::{Protocol, beta_binomial, mixture, population};
use serde_json::Value;

use super::close;

fn reference() -> Value {
    serde_json::from_str(include_str!("../reference/panel.json")).expect("JSON")
}

/// Scores, guessing rate, and what R found.
type Panel = (Vec<Tally>, f64, Value);

fn panels() -> Vec<Panel> {
    let of = |name: &str| {
        let panel = reference()[name].clone();
        let trials = panel["trials"].as_u64().expect("a number");
        let right = panel["right"].as_array().expect("scores");
        let scores =
            right.iter().map(|right| Tally::new(right.as_u64().expect("a number"), trials)).collect();
        // R printed twelve digits of one third.
        let chance = if panel["chance"].as_f64() == Some(0.5) { 0.5 } else { 1.0 / 3.0 };
        (scores, chance, panel)
    };
    ["spread", "two_hear", "small"].map(of).into()
}

#[test]
fn listeners_like_these_are_those_of_r() {
    for (scores, chance, panel) in panels() {
        let expected = |key: &str| panel["beta_binomial"][key].as_f64().expect("a number");
        let fit = beta_binomial::fit(&scores, chance).expect("a fit");
        close(fit.mu, expected("mu"), 1e-4);
        close(fit.gamma, expected("gamma"), 2e-4);
        close(fit.ln_likelihood, expected("ln_likelihood"), 1e-6);
        let found = population::population(&scores, chance, 0.95).expect("a fit");
        close(found.lower, expected("lower"), 1e-3);
        close(found.upper, expected("upper"), 1e-3);
    }
}

#[test]
fn the_share_of_listeners_who_hear_it_is_that_of_r() {
    for (scores, chance, panel) in panels() {
        let expected = |key: &str| panel["mixture"][key].as_f64().expect("a number");
        let found = mixture::fit(&scores, chance).expect("a fit");
        close(found.share, expected("share"), 1e-4);
        close(found.heard, expected("heard"), 1e-4);
        close(found.ln_likelihood, expected("ln_likelihood"), 1e-9);
        close(found.lower, expected("lower"), 1e-4);
        close(found.upper, expected("upper"), 1e-4);
    }
    // Guessers: nothing is excluded, and a third who always hear it are found.
    let guessers =
        mixture::fit(&[(8, 16), (7, 16), (9, 16), (8, 16), (8, 16), (6, 16)].map(Tally::from), 0.5)
            .expect("a fit");
    assert_eq!((guessers.lower, guessers.upper), (0.0, 1.0));
    let always = mixture::fit(
        &[(16, 16), (7, 16), (9, 16), (16, 16), (8, 16), (6, 16)].map(Tally::from).repeat(3),
        0.5,
    );
    let always = always.expect("a fit");
    assert!((always.share - 1.0 / 3.0).abs() < 0.01 && always.heard > 0.99, "{always:?}");
    assert!(
        mixture::fit(&[Tally::new(8, 16)], 0.5).is_err()
            && mixture::fit(&[(8, 16), (9, 16)].map(Tally::from), 0.0).is_err()
    );
}

#[test]
fn looks_need_what_r_says() {
    for row in reference()["looks"].as_array().expect("rows") {
        let planned = row["planned"].as_f64().expect("a number");
        let protocol = if row["chance"].as_f64() == Some(0.5) { Protocol::Abx } else { Protocol::Triangle };
        let expected: Vec<(u64, u64, f64)> = row["looks"]
            .as_array()
            .expect("looks")
            .iter()
            .map(|look| {
                let of = |index: usize| look[index].as_f64().expect("a number");
                (of(0) as u64, of(1) as u64, of(2))
            })
            .collect();
        let after: Vec<(u64, f64)> = expected.iter().map(|look| (look.0, look.0 as f64 / planned)).collect();
        let alpha = row["alpha"].as_f64().expect("a number");
        let looks = Looks::new(protocol, &after, alpha).expect("looks");
        for (at, (look, (trials, critical, spent))) in looks.looks().iter().zip(&expected).enumerate() {
            assert_eq!((look.trials, look.critical), (*trials, Some(*critical)));
            // R convolves by Fourier's transform, which leaves its rounding in small tails.
            close(look.spent, *spent, 1e-6);
            assert!(look.spent <= alpha, "never more than the agreed risk");
            assert!(looks.ends(at, *critical) && !looks.ends(at, critical - 1));
            let found: f64 = looks.ending(protocol.chance())[..=at].iter().sum();
            close(found, look.spent, 1e-9);
            // At the score that is just enough the p-value is what has been spent by then.
            close(looks.p_value(at, *critical), look.spent, 1e-12);
        }
    }
}

#[test]
fn looks_approach_the_published_boundaries() {
    // Five equally spaced looks, one-sided 2.5 %, spending of the O'Brien-Fleming kind. Source: Reboussin, DeMets, Kim & Lan,
    // Controlled Clinical Trials 21 (2000) 190-207 (values from memory).
    let published = [4.8769, 3.3569, 2.6803, 2.2898, 2.0310];
    let after: Vec<(u64, f64)> = (1..=5).map(|look| (look * 1000, look as f64 / 5.0)).collect();
    let looks = Looks::new(Protocol::Abx, &after, 0.025).expect("looks");
    for (look, z) in looks.looks().iter().zip(published) {
        let deviation = (look.trials as f64).sqrt() / 2.0;
        let critical = look.critical.expect("a score") as f64 - look.trials as f64 / 2.0;
        // Counts are whole, so the boundary lies within about one of them.
        assert!((critical - z * deviation).abs() <= 1.5, "{critical} {}", z * deviation);
    }
    close(spending(0.05, 1.0), 0.05, 1e-15);
    // 2 - 2 Phi(1.959964 / sqrt(0.5)) by R: 2 * pnorm(qnorm(0.975) / sqrt(0.5), lower.tail = FALSE)
    close(spending(0.05, 0.5), 0.005574597, 1e-6);
    assert!(Looks::new(Protocol::Abx, &[(0, 0.5)], 0.05).is_err());
    assert!(Looks::new(Protocol::Abx, &[(9, 0.5), (9, 1.0)], 0.05).is_err());
    // Both sides of a two-sided test share the risk.
    let both = Looks::new(Protocol::Preference, &[(50, 0.5), (100, 1.0)], 0.05).expect("looks");
    assert!(both.ends(1, 100 - both.looks()[1].critical.expect("a score")));
    assert!(both.looks()[1].spent <= 0.05);
}

#[test]
fn listeners_and_clips_crossed_are_those_of_lme4() {
    for row in reference()["crossed"].as_array().expect("rows") {
        let whole = |key: &str| row[key].as_u64().expect("a number") as usize;
        let (listeners, clips) = (whole("listeners"), whole("clips"));
        let right = row["right"].as_array().expect("scores");
        let cells: Vec<Cell> = right
            .iter()
            .enumerate()
            .map(|(at, right)| Cell {
                listener: at % listeners,
                clip: at / listeners % clips,
                comparison: at / listeners / clips,
                correct: right.as_u64().expect("a number"),
                trials: whole("trials") as u64,
            })
            .collect();
        let found = crossed::fit(&cells, 1.0 / whole("choices") as f64).expect("a fit");
        let number = |key: &str| row[key].as_f64().expect("a number");
        // lme4 stops within about a thousandth of the peak.
        close(found.ln_likelihood, number("ln_likelihood"), 1e-6);
        close(found.listeners, number("by_listener"), 3e-3);
        close(found.clips, number("by_clip"), 3e-3);
        for (place, value) in found.log_odds.iter().enumerate() {
            close(*value, row["log_odds"][place].as_f64().expect("a number"), 2e-3);
        }
        // Of the first data lme4 gives up its curvature and prints an error of 0.02 where 0.6 is right: only the second is held.
        if found.log_odds.len() > 1 {
            for (place, error) in found.standard_errors.iter().enumerate() {
                let expected = row["standard_errors"][place].as_f64().expect("a number");
                close(error.expect("curved"), expected, 0.05);
            }
        }
    }
    let one = Cell { listener: 0, clip: 0, comparison: 0, correct: 5, trials: 8 };
    assert!(crossed::fit(&[one, Cell { clip: 1, ..one }], 0.5).is_err());
}

/// Every way to end: look, score and probability for listeners who are right in this proportion.
fn ends(looks: &Looks, proportion: f64) -> Vec<(usize, u64, f64)> {
    let mass = |k: u64, n: u64| earwitness::stats::binomial::mass(k, n, proportion);
    let (mut going, mut before, mut all) = (vec![1.0], 0, Vec::new());
    for (at, look) in looks.looks().iter().enumerate() {
        let more = look.trials - before;
        let mut reached = vec![0.0; going.len() + more as usize];
        for (score, weight) in going.iter().enumerate() {
            for k in 0..=more {
                reached[score + k as usize] += weight * mass(k, more);
            }
        }
        for (score, weight) in reached.iter_mut().enumerate() {
            if looks.ends(at, score as u64) || at + 1 == looks.looks().len() {
                all.push((at, score as u64, std::mem::take(weight)));
            }
        }
        (going, before) = (reached, look.trials);
    }
    all
}

#[test]
fn limits_after_looks_cover_what_they_say() {
    let thirds = [(20, 1.0 / 3.0), (40, 2.0 / 3.0), (60, 1.0)];
    for protocol in [Protocol::Abx, Protocol::Preference] {
        let looks = Looks::new(protocol, &thirds, 0.05).expect("looks");
        let found: Vec<_> = ends(&looks, 0.5)
            .into_iter()
            .map(|(at, score, _)| ((at, score), looks.limits(at, score, 0.95).expect("limits")))
            .collect();
        let of =
            |at: usize, score: u64| &found.iter().find(|(end, _)| *end == (at, score)).expect("an end").1;
        let mut plain_misses = false;
        for step in 1..40 {
            let p = f64::from(step) / 40.0;
            let (mut both, mut above, mut below, mut plain) = (0.0, 0.0, 0.0, 0.0);
            for (at, score, weight) in ends(&looks, p) {
                let limits = of(at, score);
                both +=
                    weight * f64::from(u8::from(limits.interval.lower <= p && p <= limits.interval.upper));
                above += weight * f64::from(u8::from(limits.lower <= p));
                below += weight * f64::from(u8::from(p <= limits.upper));
                let trials = looks.looks()[at].trials;
                let exact = earwitness::stats::interval::lower_limit(score, trials, 0.95).expect("one");
                plain += weight * f64::from(u8::from(exact <= p));
            }
            assert!(both >= 0.95 - 1e-9 && above >= 0.95 - 1e-9 && below >= 0.95 - 1e-9, "{protocol} at {p}");
            plain_misses |= plain < 0.95;
        }
        // A limit that ignores the looks does not keep its promise (93.1 % at worst, SciPy): that is why these are here.
        assert!(plain_misses || protocol == Protocol::Preference);
        // In the order of the ends, so that the p-value is 0.05 where the one-sided limit is chance.
        for ((at, score), limits) in &found {
            if protocol == Protocol::Abx {
                close(limits.tails.0, looks.p_value(*at, *score), 1e-9);
                assert_eq!(limits.tails.0 <= 0.05, limits.lower >= 0.5, "{at} {score}");
            }
        }
    }
}

#[test]
fn one_look_has_the_limits_of_clopper_and_pearson_and_several_those_of_scipy() {
    let once = Looks::new(Protocol::Abx, &[(50, 1.0)], 0.05).expect("a look");
    for score in [0, 7, 25, 32, 50] {
        let found = once.limits(0, score, 0.95).expect("limits").interval;
        let exact = earwitness::stats::interval::clopper_pearson(score, 50, 0.95).expect("one");
        assert!(
            (found.lower - exact.lower).abs() < 1e-9 && (found.upper - exact.upper).abs() < 1e-9,
            "{score}"
        );
    }
    // The same order of ends, by SciPy's binomial distribution and root finder.
    let looks = Looks::new(Protocol::Abx, &[(24, 0.4), (36, 0.6), (60, 1.0)], 0.05).expect("looks");
    let needed: Vec<u64> = looks.looks().iter().map(|look| look.critical.expect("a score")).collect();
    let ends = [(0, needed[0]), (1, needed[1] + 1), (2, 30), (2, needed[2] + 3)];
    let script = "import sys, json\n\
        import numpy as np\n\
        from scipy.stats import binom\n\
        from scipy.optimize import brentq\n\
        trials, needed, ends = json.loads(sys.argv[1])\n\
        def tails(look, score, p):\n\
        \x20   going, before, above = np.ones(1), 0, 0.0\n\
        \x20   for at in range(look + 1):\n\
        \x20       more = trials[at] - before\n\
        \x20       going, before = np.convolve(going, binom.pmf(range(more + 1), more, p)), trials[at]\n\
        \x20       if at < look:\n\
        \x20           above += going[needed[at]:].sum()\n\
        \x20           going[needed[at]:] = 0\n\
        \x20   up = above + going[score:].sum()\n\
        \x20   return up, 1 - up + going[score]\n\
        print(json.dumps([[brentq(lambda p: tails(k, s, p)[0] - 0.025, 1e-9, 1 - 1e-9, xtol=1e-13),\n\
        \x20   brentq(lambda p: tails(k, s, p)[1] - 0.025, 1e-9, 1 - 1e-9, xtol=1e-13)] for k, s in ends]))\n";
    let trials: Vec<u64> = looks.looks().iter().map(|look| look.trials).collect();
    let argument = serde_json::json!([trials, needed, ends]).to_string();
    let python = crate::tool("EARWITNESS_PYTHON");
    let run =
        std::process::Command::new(python).args(["-c", script, &argument]).output().expect("Python starts");
    assert!(run.status.success(), "{}", String::from_utf8_lossy(&run.stderr));
    let expected: Vec<[f64; 2]> = serde_json::from_slice(&run.stdout).expect("numbers");
    for ((at, score), [lower, upper]) in ends.into_iter().zip(expected) {
        let found = looks.limits(at, score, 0.95).expect("limits").interval;
        close(found.lower, lower, 1e-8);
        close(found.upper, upper, 1e-8);
    }
}
