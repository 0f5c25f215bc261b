//! What a device's word length makes of the differences under test: against published noise and bandwidths, and against
//! stimuli that were really brought to that word length.

use std::f64::consts::TAU;
use std::sync::Arc;

use earwitness::clip::Playable;
use earwitness::clip::dither::{Dither, WordLength};
use earwitness::session::Session;
use earwitness::stimulus::resolution::{MARGIN_DB, bands};
use earwitness::stimulus::{DeviceWords, Pair, PairKind, StimulusSet, prepare};

const RATE: u32 = 48_000;
/// In the middle of the range where ERB and noise are easy to compute by hand.
const TONE_HZ: f64 = 1_000.0;

/// A tone of this amplitude (full scale 1.0).
fn tone(amplitude: f64) -> Playable {
    let step = TAU * TONE_HZ / f64::from(RATE);
    let samples = (0..2 * RATE).map(|n| (amplitude * (step * f64::from(n)).sin()) as f32).collect();
    Playable { rate_hz: RATE, channels: 1, samples }
}

fn pair(clip: usize, a: Playable, b: Playable) -> Pair {
    let kind = PairKind::Comparison { comparison: 0, clip };
    Pair { kind, a: a.into(), b: b.into(), digest_a: [0; 32], digest_b: [0; 32] }
}

fn device_words(stimuli: &StimulusSet, format: &str) -> DeviceWords {
    DeviceWords::of(stimuli, format).expect("readable")
}

/// One comparison on one clip: tones whose amplitudes are so far apart.
fn apart(amplitude: f64, difference: f64) -> StimulusSet {
    let pairs = vec![pair(0, tone(amplitude), tone(amplitude - difference))];
    StimulusSet { pairs, levels: Vec::new(), notes: Vec::new(), recorded: Vec::new() }
}

/// By how many dB a tone of this amplitude stands out of the noise of `bits` in the band of one ERB around it.
///
/// Noise of triangular dither and rounding: a quarter of a step squared, white up to half the rate (Lipshitz, Wannamaker &
/// Vanderkooy 1992, Journal of the Audio Engineering Society 40:355). ERB = 24.7 (4.37 f/kHz + 1) Hz (Glasberg & Moore 1990,
/// Hearing Research 47:103): 132.6 Hz at 1 kHz.
fn by_hand(amplitude: f64, bits: i32) -> f64 {
    let step = 2.0_f64.powi(1 - bits);
    let erb = 24.7 * (4.37 * TONE_HZ / 1_000.0 + 1.0);
    let noise = step * step / 4.0 * erb / (f64::from(RATE) / 2.0);
    10.0 * (amplitude * amplitude / 2.0 / noise).log10()
}

#[test]
fn a_difference_stands_out_of_each_word_length_by_what_its_noise_leaves() {
    // 2^-16 for the step of 16 bits: -93.3 dB; 256 times less for 24 bits: -141.5 dB.
    for (format, noise_db) in [("s16", -93.3), ("s24", -141.5)] {
        let facts = device_words(&apart(0.5, 0.05), format).facts(0.0);
        assert!((facts.noise_db - noise_db).abs() < 0.06, "{format}: {facts:?}");
    }
    for (difference, format, bits) in
        [(0.05, "s16", 16), (1e-3, "s16", 16), (1e-5, "s16", 16), (0.05, "s24", 24), (1e-5, "s24", 24)]
    {
        let words = device_words(&apart(0.5, difference), format);
        let least = words.least(0.0).expect("the sides differ");
        let expected = by_hand(difference, bits);
        // Bands stand next to each other, so the tone's is not centred on it: up to 1 dB.
        assert!(
            (least.margin_db - expected).abs() < 1.0,
            "{difference} {format}: {least:?}, by hand {expected}"
        );
    }
}

#[test]
fn what_16_bits_hide_24_bits_and_floats_do_not() {
    // 120 dB below full scale: 16 bits leave 3 dB less than nothing, 24 bits 45 dB.
    let tiny = apart(0.5, 1e-6);
    let words = device_words(&tiny, "s16");
    assert!(words.facts(0.0).could_hide(), "{:?}", words.facts(0.0));
    for format in ["s24", "s32", "f32"] {
        let words = words.clone().in_format(format);
        assert!(!words.facts(0.0).could_hide(), "{format}: {:?}", words.facts(0.0));
        assert_eq!(words, device_words(&tiny, format), "another format, the same differences");
    }
    let large = device_words(&apart(0.5, 0.05), "s16");
    assert!(!large.facts(0.0).could_hide() && !large.facts(-60.0).could_hide(), "{:?}", large.facts(-60.0));
    assert!(large.facts(-90.0).could_hide(), "softer than its own noise: {:?}", large.facts(-90.0));
    // A sample of 32-bit integers holds every bit of a float.
    assert_eq!(words.in_format("s32").word, WordLength::Float32);
}

#[test]
fn the_level_that_was_set_counts_decibel_by_decibel() {
    let words = device_words(&apart(0.5, 1e-4), "s16");
    let at = |level: f64| words.least(level).expect("the sides differ").margin_db;
    for level in [-3.0, -12.0, -36.0] {
        assert!((at(0.0) + level - at(level)).abs() < 0.11, "{level}");
    }
    let limit = MARGIN_DB - at(0.0);
    assert!(!words.facts(limit + 0.2).could_hide() && words.facts(limit - 0.2).could_hide(), "{limit}");
}

#[test]
fn the_faintest_of_several_differences_is_named_and_controls_do_not_count() {
    let mut stimuli = apart(0.5, 0.05);
    stimuli.pairs.push(pair(1, tone(0.5), tone(0.5 - 1e-6)));
    stimuli.pairs.push(pair(2, tone(0.5), tone(0.5)));
    let control = PairKind::Control { control: 0, comparison: 0, clip: 0 };
    stimuli.pairs.push(Pair { kind: control, ..pair(0, tone(0.5), tone(0.5 - 1e-8)) });
    let words = device_words(&stimuli, "s16");
    assert_eq!(words.pairs.len(), 3);
    let least = words.least(0.0).expect("two clips differ");
    assert_eq!(
        (least.comparison, least.clip),
        (0, 1),
        "identical sides hide nothing, controls are not under test"
    );
    let facts = words.facts(-6.0);
    assert_eq!(facts.faintest.map(|of| (of.comparison, of.clip)), Some((0, 1)), "{facts:?}");
    let same = device_words(&apart(0.5, 0.0), "s16");
    assert!(!same.facts(-90.0).could_hide() && same.least(0.0).is_none());
    assert_eq!(same.facts(0.0).faintest, None);
}

/// The noise that is said to be there is the noise that is there: a stimulus that was brought to the device's words as the
/// callback does it, less the stimulus itself.
#[test]
fn the_noise_is_that_of_stimuli_brought_to_that_word_length() {
    for bits in [16, 24] {
        let format = format!("s{bits}");
        let dither = Dither::new(0);
        let scale = f64::from(1_u32 << (bits - 1));
        // 24 bits and what lies below them do not fit a 32-bit float near full scale: near silence they do.
        let exact = tone(if bits == 16 { 0.3 } else { 1e-5 });
        let samples: Arc<[f32]> = exact
            .samples
            .iter()
            .enumerate()
            .map(|(n, sample)| {
                (f64::from(dither.quantise(f64::from(*sample), bits, 0, n as u64)) / scale) as f32
            })
            .collect();
        let noise = bands(&pair(0, exact.clone(), Playable { samples, ..exact })).expect("in memory");
        let words = device_words(&apart(0.3, 0.01), &format);
        let (_, resolved) = words.pairs[0];
        let band = resolved.strongest.expect("the sides differ");
        let said = band.difference_db - resolved.best_margin_db;
        let measured = noise
            .iter()
            .find(|other| (other.from_hz - band.from_hz).abs() < 1e-6)
            .expect("the same bands")
            .difference_db;
        assert!((said - measured).abs() < 1.0, "{bits} bits: said {said}, measured {measured}");
    }
}

fn cables(folder: &std::path::Path, other: &str) -> Session {
    super::session(
        folder,
        &format!(
            "[amplifier]\noutput_resistance = \"20 mohm\"\n[loudspeaker]\nresistance = \"8 ohm\"\n\
             [cables.flex]\nconstruction = \"parallel-pair\"\nlength = \"6 m\"\nconductor = \"0.75 mm2\"\n\
             spacing = \"3.2 mm\"\n\
             [cables.other]\nconstruction = \"parallel-pair\"\nlength = \"{other}\"\nconductor = \"0.75 mm2\"\n\
             spacing = \"3.2 mm\"\n\
             [clips.plucked]\nsynth = \"plucked-strings\"\nlength = \"2 s\"\n\
             [[comparisons]]\nname = \"flex-other\"\na = \"flex\"\nb = \"other\"\nclips = [\"plucked\"]\n"
        ),
    )
}

/// From a session file to the caution: six metres against one are no matter for 16 bits, six metres against six metres and a
/// twentieth of a millimetre are.
#[test]
fn cables_that_hardly_differ_are_cautioned_about_at_16_bits() {
    let folder = tempfile::tempdir().expect("a temporary folder");
    let words = |other: &str, format: &str| {
        let session = cables(folder.path(), other);
        let stimuli = prepare(&session, &earwitness::stimulus::NoProgress).expect("stimuli");
        let words = device_words(&stimuli, format);
        (words.facts(-20.0).caution(&session), words.facts(-20.0))
    };
    assert_eq!(words("1 m", "s16").0, None);
    let (caution, facts) = words("6.00005 m", "s16");
    let caution = caution.unwrap_or_else(|| panic!("no caution: {facts:?}"));
    for said in
        ["16-bit samples", "flex-other", "plucked", "10 dB are wanted", "24 or 32 bits", "level here up"]
    {
        assert!(caution.contains(said), "\"{said}\" is missing in: {caution}");
    }
    assert_eq!(words("6 m", "s16").0, None, "identical cables hide nothing");
}
