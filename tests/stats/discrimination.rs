//! One listener's score against published tables and worked numbers.

use earwitness::stats::psychometric::{self, Model};
use earwitness::stats::{Protocol, StatsError, binomial, interval, one};

use super::close;

/// Least number right at alpha .20, .10, .05, .01, .001 ('-': cannot be reached).
/// Source: ISO 4120 Table A.1 = ASTM E1885 (printed).
const TRIANGLE: &str = "6:4,5,5,6,-; 7:4,5,5,6,7; 8:5,5,6,7,8; 9:5,6,6,7,8; 10:6,6,7,8,9; 11:6,7,7,8,10; 12:6,7,8,9,10; 13:7,8,8,9,11; 14:7,8,9,10,11; 15:8,8,9,10,12; 16:8,9,9,11,12; 17:8,9,10,11,13; 18:9,10,10,12,13; 19:9,10,11,12,14; 20:9,10,11,13,14; 21:10,11,12,13,15; 22:10,11,12,14,15; 23:11,12,12,14,16; 24:11,12,13,15,16; 25:11,12,13,15,17; 26:12,13,14,15,17; 27:12,13,14,16,18; 28:12,14,15,16,18; 29:13,14,15,17,19; 30:13,14,15,17,19; 31:14,15,16,18,20; 32:14,15,16,18,20; 33:14,15,17,18,21; 34:15,16,17,19,21; 35:15,16,17,19,22; 36:15,17,18,20,22; 37:16,17,18,20,22; 38:16,17,19,21,23; 39:16,18,19,21,23; 40:17,18,19,21,24; 41:17,19,20,22,24; 42:18,19,20,22,25; 43:18,19,20,23,25; 44:18,20,21,23,26; 45:19,20,21,24,26; 46:19,20,22,24,27; 47:19,21,22,24,27; 48:20,21,22,25,27; 54:22,23,25,27,30; 60:24,26,27,30,33; 66:26,28,29,32,35; 72:28,30,32,34,38; 84:33,35,36,39,43; 96:37,39,41,44,48; 102:39,41,43,46,50";

/// Source: ISO 10399:2004 Table A.1 and ISO 5495:2005 Table A.1 (printed).
const HALF: &str = "6:5,6,6,-,-; 7:6,6,7,7,-; 8:6,7,7,8,-; 9:7,7,8,9,-; 10:7,8,9,10,10; 11:8,9,9,10,11; 12:8,9,10,11,12; 13:9,10,10,12,13; 14:10,10,11,12,13; 15:10,11,12,13,14; 16:11,12,12,14,15; 17:11,12,13,14,16; 18:12,13,13,15,16; 19:12,13,14,15,17; 20:13,14,15,16,18; 21:13,14,15,17,18; 22:14,15,16,17,19; 23:15,16,16,18,20; 24:15,16,17,19,20; 25:16,17,18,19,21; 26:16,17,18,20,22; 27:17,18,19,20,22; 28:17,18,19,21,23; 29:18,19,20,22,24; 30:18,20,20,22,24; 32:19,21,22,24,26; 36:22,23,24,26,28; 40:24,25,26,28,31; 44:26,27,28,31,33; 48:28,29,31,33,36; 52:30,32,33,35,38; 56:32,34,35,38,40; 60:34,36,37,40,43; 64:36,38,40,42,45; 68:38,40,42,45,48; 72:41,42,44,47,50; 76:43,45,46,49,52; 80:45,47,48,51,55; 84:47,49,51,54,57; 88:49,51,53,56,59";

/// Two-sided paired test, 2 P(X >= k) <= alpha. Source: the rule of ISO 5495, recomputed.
const TWO_SIDED: &str = "8:7,7,8,8,-; 10:8,9,9,10,-; 12:9,10,10,11,12; 15:11,12,12,13,14; 16:12,12,13,14,15; 20:14,15,15,17,18; 24:16,17,18,19,21; 25:17,18,18,20,21; 30:20,20,21,23,25; 36:23,24,25,27,29; 40:25,26,27,29,31; 50:31,32,33,35,37; 60:36,37,39,41,44";

fn hold(table: &str, protocols: &[Protocol]) {
    let mut cells = 0;
    for row in table.split(';') {
        let (trials, scores) = row.trim().split_once(':').expect("n:scores");
        let trials: u64 = trials.parse().expect("n");
        for (score, alpha) in scores.split(',').zip([0.20, 0.10, 0.05, 0.01, 0.001]) {
            for &protocol in protocols {
                let expected = score.parse().ok();
                assert_eq!(
                    one::critical(protocol, trials, alpha),
                    expected,
                    "{protocol} n={trials} alpha={alpha}"
                );
                cells += 1;
            }
        }
    }
    assert!(cells >= 65);
}

#[test]
fn least_number_right_agrees_with_the_standards() {
    hold(TRIANGLE, &[Protocol::Triangle, Protocol::Tetrad]);
    hold(HALF, &[Protocol::DuoTrio, Protocol::Abx, Protocol::TwoAfc]);
    hold(TWO_SIDED, &[Protocol::Preference]);
}

#[test]
fn a_tail_just_above_the_risk_is_not_rounded_down() {
    // Roessler et al. 1978 print 45 for n = 100 at .01; P(X >= 45) is .010005, so exactly it is 46.
    assert_eq!(one::critical(Protocol::Triangle, 100, 0.01), Some(46));
    close(binomial::upper(45, 100, 1.0 / 3.0), 0.010005, 1e-4);
    // Exact; a well-known printed list has each one too low.
    let exact = [9, 15, 20, 26, 32, 37, 43, 48, 54, 59];
    for (index, expected) in exact.into_iter().enumerate() {
        assert_eq!(one::critical(Protocol::Abx, 10 * (index as u64 + 1), 0.05), Some(expected));
    }
    // A tail that equals the risk in rational arithmetic is reached.
    assert_eq!(one::critical(Protocol::Abx, 4, 0.0625), Some(4));
    assert_eq!(one::critical(Protocol::Triangle, 3, 1.0 / 27.0), Some(3));
}

#[test]
fn risks_of_known_abx_tests() {
    // Source: Leventhal 1986, JAES 34(6) 437-453, and his letters (printed); N = 15 from his table (second hand).
    for (trials, score, first, right, second) in [
        (16, 12, 0.0384, 0.6, 0.8334),
        (16, 9, 0.4018, 0.6, 0.2839),
        (50, 32, 0.0325, 0.6, 0.6644),
        (100, 59, 0.0443, 0.6, 0.3775),
        (15, 11, 0.0592, 0.6, 0.7827),
        (15, 11, 0.0592, 0.7, 0.4845),
        (15, 11, 0.0592, 0.75, 0.3135),
        (15, 11, 0.0592, 0.8, 0.1642),
        (15, 12, 0.0176, 0.6, 0.9095),
        (15, 12, 0.0176, 0.7, 0.7031),
        (15, 12, 0.0176, 0.75, 0.5387),
        (15, 12, 0.0176, 0.8, 0.3518),
    ] {
        let digits = |value: f64| (value * 1e4).round() / 1e4;
        close(digits(binomial::upper(score, trials, 0.5)), first, 1e-9);
        close(digits(binomial::lower(score - 1, trials, right)), second, 1e-9);
    }
    // Source: printed in the same note.
    close(binomial::mass(10, 21, 0.5), 0.168188, 1e-5);
    // Exact.
    close(one::p_value(Protocol::Triangle, 8, 10), 201.0 / 59049.0, 1e-14);
}

#[test]
fn psychometric_functions_agree_with_published_values() {
    // Recomputed with mpmath 1.3.0 at 30 digits: quad of the formulas of Macmillan & Creelman, Frijters 1980, Ennis.
    for (model, d, expected) in [
        (Model::TwoAfc, 1.0, 0.760249938906523),
        (Model::Differencing, 1.0, 0.582475444228876),
        (Model::Triangle, 1.0, 0.4180466747146392),
        (Model::Triangle, 2.0, 0.6048069327721885),
        (Model::Triangle, 3.0, 0.7814275985964835),
        (Model::Tetrad, 1.0, 0.49380842748622585),
        (Model::Tetrad, 2.0, 0.7776671166399),
        (Model::Tetrad, 3.0, 0.9429716188966947),
    ] {
        close(model.proportion(d), expected, 4e-15);
    }
    // The values in circulation, which differ from the above from the tenth digit on.
    for (model, d, expected) in [
        (Model::Triangle, 1.0, 0.418046674796045),
        (Model::Triangle, 2.0, 0.604806932920651),
        (Model::Triangle, 3.0, 0.781427598857822),
        (Model::Tetrad, 1.0, 0.493808427692137),
        (Model::Tetrad, 2.0, 0.777667116845886),
    ] {
        close(model.proportion(d), expected, 5e-10);
    }
    let at = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0];
    for (model, row) in [
        (Model::TwoAfc, [0.638163, 0.760250, 0.855578, 0.921350, 0.961450, 0.983053, 0.997661]),
        (Model::Differencing, [0.522347, 0.582475, 0.663462, 0.746820, 0.819585, 0.876457, 0.946666]),
        (
            Model::IndependentObservation,
            [0.527275, 0.599656, 0.694410, 0.787651, 0.863946, 0.918510, 0.975017],
        ),
        (Model::Triangle, [0.355835, 0.418047, 0.506456, 0.604807, 0.699339, 0.781428, 0.897660]),
        (Model::Tetrad, [0.377719, 0.493808, 0.640937, 0.777667, 0.879661, 0.942972, 0.991342]),
    ] {
        for (d, expected) in at.into_iter().zip(row) {
            close(model.proportion(d), expected, 1e-6);
            close(model.d_prime(model.proportion(d)).expect("inside"), d, 1e-11);
        }
        close(model.proportion(0.0), model.chance(), 1e-14);
    }
    // 10 of 15 right: recomputed with mpmath 1.3.0, and the values in circulation, which are good to five digits.
    for (model, expected, printed) in [
        (Model::TwoAfc, 0.60914038834797, 0.609140388),
        (Model::Differencing, 1.5188528103152663, 1.518852),
        (Model::Tetrad, 1.587787750446347, 1.587784),
        (Model::Triangle, 2.3213769166785973, 2.321362),
    ] {
        let found = model.d_prime(10.0 / 15.0).expect("inside");
        close(found, expected, 1e-10);
        close(found, printed, 1e-5);
    }
}

/// Right answers, trials, and the ends by each method.
type Row = (u64, u64, [(f64, f64); 8]);

#[test]
fn intervals_agree_with_newcombe() {
    // Source: Newcombe 1998, Statistics in Medicine 17:857-872, Table I, 95 % (Wilson column printed, the others from
    // memory or recomputed). Columns: Wald, Wilson, Wilson corrected, Clopper-Pearson, mid-P, likelihood, Jeffreys,
    // Agresti-Coull.
    let rows: [Row; 4] = [
        (
            81,
            263,
            [
                (0.2522, 0.3638),
                (0.2553, 0.3662),
                (0.2535, 0.3682),
                (0.2527, 0.3676),
                (0.2544, 0.3658),
                (0.2542, 0.3655),
                (0.2545, 0.3656),
                (0.2552, 0.3663),
            ],
        ),
        (
            15,
            148,
            [
                (0.0527, 0.1500),
                (0.0624, 0.1605),
                (0.0598, 0.1644),
                (0.0578, 0.1617),
                (0.0601, 0.1581),
                (0.0596, 0.1567),
                (0.0604, 0.1576),
                (0.0614, 0.1615),
            ],
        ),
        (
            0,
            20,
            [
                (0.0, 0.0),
                (0.0, 0.1611),
                (0.0, 0.2005),
                (0.0, 0.1684),
                (0.0, 0.1391),
                (0.0, 0.0916),
                (0.0, 0.1166),
                (0.0, 0.1898),
            ],
        ),
        (
            1,
            29,
            [
                (0.0, 0.1009),
                (0.0061, 0.1718),
                (0.0018, 0.1963),
                (0.0009, 0.1776),
                (0.0017, 0.1585),
                (0.0020, 0.1432),
                (0.0037, 0.1501),
                (0.0, 0.1863),
            ],
        ),
    ];
    let methods = [
        (1, interval::wilson as fn(u64, u64, f64) -> Result<interval::Interval, StatsError>),
        (3, interval::clopper_pearson),
        (6, interval::jeffreys),
    ];
    let digits = |value: f64| (value * 1e4).round() / 1e4;
    for (correct, trials, ends) in rows {
        for (index, method) in methods {
            let (lower, upper) = ends[index];
            let found = method(correct, trials, 0.95).expect("counts");
            assert_eq!(digits(found.lower), lower, "lower of method {index} at {correct}/{trials}");
            assert_eq!(digits(found.upper), upper, "upper of method {index} at {correct}/{trials}");
        }
    }
    // Source: NIST/SEMATECH e-Handbook 7.2.4.1 (printed): the one-sided lower limit at 95 % is the end of 90 %. The exact
    // upper limit is .4010281, printed .401029.
    close(interval::wilson(26, 200, 0.90).expect("counts").lower, 0.09577, 5e-5);
    let exact = interval::clopper_pearson(4, 20, 0.90).expect("counts");
    close(exact.lower, 0.0713539, 1e-6);
    close(exact.upper, 0.4010281, 1e-7);
    // Source: Mendel's peas, example of R's binom.test (memory).
    let peas = interval::clopper_pearson(682, 925, 0.95).expect("counts");
    close(peas.lower, 0.7076683, 1e-7);
    close(peas.upper, 0.7654066, 1e-7);
}

#[test]
fn d_prime_agrees_with_psyphy() {
    let rows = include_str!("../reference/psyphy.csv").lines().skip(1);
    let mut seen = std::collections::BTreeSet::new();
    for row in rows {
        let cells: Vec<&str> = row.split(',').collect();
        let (first, d_prime): (f64, f64) =
            (cells[1].parse().expect("a number"), cells[3].parse().expect("a number"));
        let second = || cells[2].parse::<f64>().expect("a count");
        // Kept away from 0 and 1 (Hautus 1995, the log-linear correction).
        let rate = |count: f64| (count + 0.5) / 1001.0;
        let of = |model: Model| model.d_prime(first).expect("inside");
        let found = match cells[0] {
            "two-afc" => of(Model::TwoAfc),
            "differencing" => of(Model::Differencing),
            "independent-observation" => of(Model::IndependentObservation),
            "triangle" => of(Model::Triangle),
            "same-different" => psychometric::same_different(rate(first), rate(second())).d_prime,
            other => panic!("{other}"),
        };
        // psyphy stops looking for a root within 1.2e-4.
        close(found, d_prime, 4e-4);
        seen.insert(cells[0]);
    }
    assert_eq!(seen.len(), 5);
}
