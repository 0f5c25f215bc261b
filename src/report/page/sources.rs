//! Where each number comes from: what it is called, formula, reference. Numbers elsewhere on the page link here.

use maud::{Markup, html};

use crate::report::model::Report;

/// Where a kind of number comes from.
struct Source {
    /// Its anchor on the page.
    id: &'static str,
    /// What it means, for everybody, in a sentence or two.
    plain: &'static str,
    /// What it is called.
    number: &'static str,
    formula: &'static str,
    reference: &'static str,
}

const fn source(
    id: &'static str,
    plain: &'static str,
    number: &'static str,
    formula: &'static str,
    reference: &'static str,
) -> Source {
    Source { id, plain, number, formula, reference }
}

const SOURCES: [Source; 27] = [
    source(
        "score",
        "How many counted answers were right.",
        "right, answers, controls",
        "counted from the answers in the journals; report.csv names journal and line of each",
        "the journals",
    ),
    source(
        "chance",
        "How often somebody who guesses is right.",
        "by guessing",
        "one over the number of alternatives",
        "ISO 4120, ISO 10399, ISO 5495",
    ),
    source(
        "p",
        "How often somebody who only guesses does at least this well. A small p means that guessing hardly explains the score.",
        "p",
        "probability that a guesser gets at least this score: upper tail of the binomial distribution; for preference both tails",
        "ISO 4120, ISO 10399, ISO 5495",
    ),
    source(
        "room",
        "How often the same votes would do at least this well if X had been drawn differently.",
        "p of a room",
        "every trial's votes are kept, X is drawn anew with equal probabilities, trials are convolved",
        "randomisation test; Fisher, The Design of Experiments, 1935",
    ),
    source(
        "adjusted",
        "The p that remains after allowing for all the tests that are judged together: of many guessers, one does well.",
        "p, adjusted",
        "smallest p times m, next times m - 1, and so on, never falling",
        "Holm, Scandinavian Journal of Statistics 6, 1979",
    ),
    source(
        "interval",
        "The range of true shares that agree with the answers: such ranges hold the true one in 95 of 100 tests.",
        "interval",
        "exact, two-sided at 95 %",
        "Clopper and Pearson, Biometrika 26, 1934",
    ),
    source(
        "discriminators",
        "In how many trials the difference was really heard, once lucky guesses are taken out.",
        "hears it in (discriminators)",
        "(proportion - chance) / (1 - chance), the interval carried through, kept inside 0 to 1; of a preference -1 to 1",
        "ISO 4120, ISO 10399",
    ),
    source(
        "d-prime",
        "How far the two sides are apart for the listener, in units of the noise in hearing: 0 is guessing, 1 is faint, 3 is plain.",
        "d-prime",
        "the protocol's psychometric function inverted, the interval carried through; for ABX the differencing model; where all \
         are right, taken at (n - 1/2)/n",
        "Macmillan and Creelman, Detection Theory; Frijters 1980; Ennis 1993",
    ),
    source(
        "similarity",
        "Whether the answers show that the difference is too rarely heard to matter, which is more than not finding it.",
        "similarity",
        "probability of at most this score for a listener who hears the difference in the stated share of trials",
        "ISO 4120, ISO 10399",
    ),
    source(
        "power",
        "How often such a test finds a difference that is really there.",
        "what the design could find",
        "probability of at least the score needed if the difference is heard in the stated share of trials: binomial",
        "ISO 4120 Annex; Leventhal, Journal of the Audio Engineering Society 34, 1986",
    ),
    source(
        "sequential",
        "The rule that ended the trials as soon as the answers were clear either way, agreed beforehand.",
        "sequential rule",
        "likelihood ratio against both agreed risks; risks and lengths by recursion over all paths",
        "Wald, Sequential Analysis, 1947; ISO 16820; intervals: Armitage, Biometrika 44, 1957",
    ),
    source(
        "luck",
        "How many of so many guessers would pass a test meant for one.",
        "passed by chance",
        "sum of the probabilities that a guesser passes; none does: product of the others",
        "binomial distribution",
    ),
    source(
        "best",
        "How often the best of so many guessers does as well as the best listener here.",
        "best of m",
        "1 less the product over listeners of the probability that a guesser stays above this p",
        "distribution of a minimum",
    ),
    source(
        "alike",
        "Whether the differences between listeners (or places) are larger than chance makes them.",
        "are all alike? (listeners, places)",
        "sum over right and wrong of (seen - expected)^2 / expected against chi-squared, one degree less than members",
        "Pearson 1900",
    ),
    source(
        "combined",
        "One p-value from all listeners together.",
        "combined",
        "-2 times the sum of ln p; sum of z weighted by the square root of trials",
        "Fisher, Statistical Methods for Research Workers; Stouffer 1949",
    ),
    source(
        "spread",
        "How much listeners differ beyond chance: 0 if all hear equally well.",
        "spread between listeners",
        "beta-binomial by maximum likelihood with chance correction; half of the chi-squared tail, as gamma cannot be negative",
        "Brockhoff, Food Quality and Preference 14, 2003",
    ),
    source(
        "described",
        "What the answers look like. It explains a score and never rescues one.",
        "halves, trend, bias, confidence",
        "counts; c = -(z(hits) + z(false alarms))/2 towards the first alternative; rank sum of the places of right answers as z; pairs of a right and a wrong answer in which the right one had \
         the higher confidence, ties half",
        "Wilcoxon 1945; Hautus 1995; Macmillan and Creelman, Detection Theory",
    ),
    source(
        "missed",
        "Trials with a difference that can surely be heard: missing them means that the equipment or the listener could not show it.",
        "controls missed, something leaks",
        "so few right in at most one test of ten for somebody right in nine of ten; so many right in at most one guesser of a hundred",
        "common practice, no source",
    ),
    source(
        "cable",
        "Resistance, inductance and capacitance of the whole cable, which decide what it does to the sound.",
        "R, L, C of cables",
        "round conductors with skin and proximity effect; measured tables as they are",
        "Carson 1921; IEC 60028 for copper",
    ),
    source(
        "response",
        "How much louder one side is than the other at each frequency. 1 dB is a small step; 0.2 dB is hard to hear.",
        "A minus B",
        "level of the voltage at the load, amplifier, cable and load as two-ports, 20 Hz to 20 kHz",
        "two-port theory",
    ),
    source(
        "level",
        "How much louder one side is overall.",
        "level that may be heard by itself",
        "0.1 dB or more, best single match over 20 Hz to 20 kHz",
        "common practice, no source",
    ),
    source(
        "loudness",
        "How loud the clip is to an ear, and its highest peak.",
        "loudness, true peak",
        "K-weighted, gated; four times oversampled",
        "ITU-R BS.1770",
    ),
    source(
        "words",
        "How far the difference stands above the noise of the sound device.",
        "difference above the noise of a device's bit depth",
        "level of A minus B in its strongest band of one ERB, less the noise of triangular dither there: a quarter of a step \
         squared over the whole band; 10 dB are wanted",
        "Glasberg and Moore 1990; Lipshitz, Wannamaker and Vanderkooy 1992; the 10 dB are common practice, no source",
    ),
    source(
        "spectrum",
        "How much of the clip lies at which pitch.",
        "spectrum of a clip",
        "mean power in third-octave bands, full scale 1.0",
        "base-two bands after IEC 61260",
    ),
    source(
        "times",
        "How long a trial took, and how often the listener switched.",
        "time and switches per trial",
        "median and mean of what the journal's answers hold",
        "the journals",
    ),
    source(
        "digest",
        "A fingerprint of a file: if one letter changes, it changes.",
        "digests, seals, receipts",
        "SHA-256",
        "FIPS 180-4",
    ),
    source(
        "draws",
        "How the computer drew what was X, from its secret and everybody's hand.",
        "draws",
        "ChaCha20 stream under SHA-256 of secret and hands, numbers by rejection",
        "RFC 8439, FIPS 180-4",
    ),
];

/// A number's label, which tells what it means when it is touched.
pub(super) fn traced(label: &str, id: &str) -> Markup {
    debug_assert!(SOURCES.iter().any(|source| source.id == id), "no source for {id}");
    html! { button.word type="button" popovertarget=(format!("word-{id}")) { (label) } }
}

fn name<'s>(report: &Report, source: &'s Source) -> &'s str {
    let inquiry = report.session.inquiry;
    if inquiry.two_sided() && source.id == "discriminators" { inquiry.share_short() } else { source.number }
}

/// What each label tells: one box for each kind of number, shown by its labels.
pub(super) fn boxes(report: &Report) -> Markup {
    html! {
        @for source in &SOURCES {
            div.word popover id=(format!("word-{}", source.id)) {
                p { strong { (name(report, source)) } " " (source.plain) }
                p.small { (source.formula) ". " (source.reference) "." }
                p.small { a href=(format!("#from-{}", source.id)) { "All formulas" } }
            }
        }
    }
}

/// The section.
pub(super) fn section(report: &Report) -> Markup {
    let d_prime = report.session.inquiry.protocol.asks().has_right_answer();
    html! {
        div id="sources" {
            p {
                "Scores are counted from the journals' answers, after every draw was checked from the opened seal. "
                code { "report.csv" } " holds one row per trial, with journal and line. "
                code { "report.json" } " holds every number of this page, unrounded. The program is " (report.program) "."
            }
            dl.formulas {
                @for source in SOURCES.iter().filter(|source| d_prime || source.id != "d-prime") {
                    div id=(format!("from-{}", source.id)) {
                        dt { (name(report, source)) } dd { (source.formula) " (" (source.reference) ")" }
                    }
                }
            }
        }
    }
}
