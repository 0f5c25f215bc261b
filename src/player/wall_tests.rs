//! The audio thread's side under load: it never allocates, frees or jumps, whatever is asked of it.

use std::sync::Arc;
use std::sync::atomic::Ordering;
use std::time::Duration;

use assert_no_alloc::{AllocDisabler, assert_no_alloc};
use cpal::{BufferSize, StreamConfig};
use proptest::prelude::*;

use super::device::{Callback, to_i16, to_i32};
use super::handle::{Opened, Output, Player, Report, connect};
use super::options::{Pace, PlayerOptions, Switch};
use super::renderer::Renderer;
use super::shared::Shared;
use super::{OutputDescription, Sound, Transport};
use crate::clip::Playable;
use crate::clip::dither::Dither;
use crate::stimulus::Stimulus;
use crate::trial::OutputKind;

#[global_allocator]
static ALLOCATOR: AllocDisabler = AllocDisabler;

const RATE: u32 = 48_000;
const CONFIG: StreamConfig =
    StreamConfig { channels: 2, sample_rate: RATE, buffer_size: BufferSize::Default };
/// Sound that a device has in hand when it asks for more.
const AHEAD: Duration = Duration::from_millis(40);

/// An output that nothing drives: the test renders.
struct Manual;

impl Output for Manual {
    fn reports(&mut self) -> Vec<Report> {
        Vec::new()
    }

    fn reopen(&mut self, _rate_hz: u32) -> Option<Opened> {
        None
    }
}

fn manual(options: PlayerOptions) -> (Player, Renderer, Arc<Shared>) {
    manual_as(OutputKind::Silent, options)
}

fn manual_as(kind: OutputKind, options: PlayerOptions) -> (Player, Renderer, Arc<Shared>) {
    let (link, renderer) = connect(options, RATE, 2);
    let shared = Arc::clone(&link.shared);
    let description = OutputDescription {
        kind,
        name: String::new(),
        host: String::new(),
        rate_hz: RATE,
        format: "f32".into(),
        buffer_frames: 0,
        channels: 2,
        resampled_from_hz: None,
        path: None,
    };
    (Player::new(Box::new(Manual), Opened { link, description }), renderer, shared)
}

/// A tone that moves by little from sample to sample.
fn tone(frames: usize, step: f32, channels: u16) -> Playable {
    let samples = (0..frames)
        .flat_map(|i| std::iter::repeat_n((i as f32 * step).sin() * 0.5, usize::from(channels)))
        .collect();
    Playable { rate_hz: RATE, channels, samples }
}

#[derive(Debug, Clone)]
enum Asked {
    Load,
    Switch(usize),
    Play,
    Pause,
    Seek(u64),
    Loop(Option<(u64, u64)>),
    Render(usize),
}

fn asked() -> impl Strategy<Value = Asked> {
    prop_oneof![
        1 => Just(Asked::Load),
        4 => (0..4_usize).prop_map(Asked::Switch),
        4 => Just(Asked::Play),
        2 => Just(Asked::Pause),
        2 => (0..20_000_u64).prop_map(Asked::Seek),
        2 => proptest::option::of((0..20_000_u64, 0..20_000_u64)).prop_map(Asked::Loop),
        8 => (1..3_000_usize).prop_map(Asked::Render),
    ]
}

fn run(orders: &[Asked], options: PlayerOptions) -> Vec<f32> {
    let (mut player, mut renderer, shared) = manual(options);
    // Their ends meet within a sample's step, so that the loop of the whole clip is smooth too.
    let period = std::f32::consts::TAU / 100.0;
    let stimuli = [tone(16_000, period, 2), tone(16_000, 2.0 * period, 2), tone(16_000, period / 2.0, 2)];
    player.load(&stimuli);
    let mut heard = Vec::new();
    let mut block = vec![0.0; 2 * 3_000];
    for order in orders {
        match order {
            Asked::Load => player.load(&stimuli),
            Asked::Switch(index) => player.switch_to(*index),
            Asked::Play => player.play(),
            Asked::Pause => player.pause(),
            Asked::Seek(frame) => player.seek(*frame),
            Asked::Loop(region) => player.set_loop(*region),
            Asked::Render(frames) => {
                let block = &mut block[..2 * frames];
                assert_no_alloc(|| renderer.render(block));
                heard.extend_from_slice(block);
                assert!(shared.position.load(Ordering::Relaxed) < 16_000);
            }
        }
    }
    heard
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 150, ..ProptestConfig::default() })]

    #[test]
    fn whatever_is_asked_nothing_clicks_and_nothing_is_allocated(
        orders in proptest::collection::vec(asked(), 1..60),
        gap in any::<bool>(),
    ) {
        let switch = if gap {
            Switch::Gap { fade_seconds: 0.01, silence_seconds: 0.02 }
        } else {
            Switch::Crossfade { seconds: 0.01 }
        };
        let options = PlayerOptions { switch, pace: Pace::Unpaced, ..PlayerOptions::default() };
        let heard = run(&orders, options);
        // A tone's step (0.5 * 2 * 0.063) and up to three fades of 480 frames at once (0.5 * pi / 2 / 480 each, twice
        // that between two tones of opposite sign).
        let limit = 0.063 + 0.0033 + 2.0 * 0.0017 + 0.001;
        for channel in 0..2 {
            let plane: Vec<f32> = heard.iter().skip(channel).step_by(2).copied().collect();
            for pair in plane.windows(2) {
                prop_assert!((pair[1] - pair[0]).abs() < limit, "{} to {}", pair[0], pair[1]);
            }
        }
        prop_assert!(heard.iter().all(|sample| sample.abs() <= 0.5 + 1e-6));
    }
}

/// Frames of a long sound.
const LONG: usize = 1_660_000;

/// Noise, and half of it, that are long; and the same in memory.
fn long_pair(rate_hz: u32) -> ([Sound; 2], [Sound; 2]) {
    let noise = |factor: f32| Playable {
        rate_hz,
        channels: 2,
        samples: (0..2 * LONG as u32).map(|n| (n.wrapping_mul(2_654_435_761) >> 8) as f32 * factor).collect(),
    };
    let whole = [noise(2e-8), noise(1e-8)];
    let kept = Stimulus::keep(&whole).expect("a disk");
    assert!(kept.iter().all(Stimulus::is_long));
    let long = Sound::together([&kept[0], &kept[1]]).expect("long");
    // A power of two: nothing is rounded, whether a level is set before resampling or after.
    (long.map(|sound| sound.times(0.25)), whole.map(|sound| Sound::from(sound).times(0.25)))
}

/// Jumps to and fro, loops across the edge of a block (32,768 frames), switches, pauses, and the end of the sound.
fn to_and_fro() -> Vec<Asked> {
    let seek = |frame: usize| Asked::Seek(frame as u64);
    let mut orders =
        vec![Asked::Play, Asked::Render(3_000), Asked::Switch(1), seek(30_000), Asked::Render(6_000)];
    orders.extend([seek(1_000_000), Asked::Render(4_000), Asked::Loop(Some((63_000, 68_000)))]);
    orders.extend([Asked::Render(12_000), seek(64_000), Asked::Switch(2), Asked::Render(6_000)]);
    orders.extend([Asked::Pause, Asked::Render(2_000), Asked::Loop(None), seek(LONG - 3_000), Asked::Play]);
    orders.extend([Asked::Render(9_000), Asked::Load, Asked::Play, seek(700_000), Asked::Switch(1)]);
    orders.extend([Asked::Render(5_000), Asked::Loop(Some((1_200_000, 1_650_000))), Asked::Render(5_000)]);
    orders
}

/// What is heard of three stimuli, made of a pair in this order; and the blocks that were in memory after each rendering.
fn hear(pair: &[Sound; 2], order: [usize; 3], kind: OutputKind) -> (Vec<f32>, Vec<Vec<u64>>) {
    let sounds = order.map(|side| pair[side].clone());
    let (mut player, mut renderer, shared) = manual_as(kind, PlayerOptions::default());
    player.load_sounds(&sounds);
    let (mut heard, mut read) = (Vec::new(), Vec::new());
    let mut block = vec![0.0; 2 * 1_000];
    for asked in to_and_fro() {
        match asked {
            Asked::Load => player.load_sounds(&sounds),
            Asked::Switch(index) => player.switch_to(index),
            Asked::Play => player.play(),
            Asked::Pause => player.pause(),
            Asked::Seek(frame) => player.seek(frame),
            Asked::Loop(region) => player.set_loop(region),
            Asked::Render(frames) => {
                for _ in 0..frames / 1_000 {
                    match (kind, &player.window) {
                        // A device never waits: somebody reads ahead of it, here without a clock.
                        (OutputKind::Device, Some(window)) => {
                            window.look(&shared, usize::MAX);
                            assert_no_alloc(|| renderer.render(&mut block));
                        }
                        _ => renderer.render(&mut block),
                    }
                    heard.extend_from_slice(&block);
                }
                let mut blocks = player.window.as_ref().map_or(Vec::new(), |window| window.blocks());
                blocks.sort_unstable();
                read.push(blocks);
            }
        }
    }
    assert_eq!(shared.underruns.load(Ordering::Relaxed), 0, "{kind:?}");
    assert!(player.take_events().is_empty());
    assert!(heard.iter().any(|sample| *sample != 0.0));
    (heard, read)
}

#[test]
fn a_long_sound_is_heard_as_if_it_were_in_memory_and_read_whichever_side_plays() {
    let (long, whole) = long_pair(RATE);
    let mut as_much = None;
    for order in [[0, 1, 0], [0, 1, 1], [1, 0, 0], [0, 0, 0]] {
        let (expected, _) = hear(&whole, order, OutputKind::Silent);
        let kinds = [OutputKind::Silent, OutputKind::Device].map(|kind| {
            let (played, read) = hear(&long, order, kind);
            assert!(played == expected, "{kind:?} {order:?}");
            assert!(read.iter().all(|blocks| blocks.len() == 16), "memory does not grow");
            read
        });
        // Which blocks are read is the same whatever was drawn, and each is read of both sides.
        assert!(*as_much.get_or_insert_with(|| kinds.clone()) == kinds, "{order:?}");
    }
}

#[test]
fn a_long_sound_of_another_rate_is_resampled_while_it_plays_to_what_the_whole_would_be() {
    let (long, whole) = long_pair(RATE * 147 / 160);
    let (expected, _) = hear(&whole, [0, 1, 0], OutputKind::Device);
    let (played, read) = hear(&long, [0, 1, 0], OutputKind::Device);
    assert!(played == expected);
    assert!(read.iter().all(|blocks| blocks.len() == 16), "memory does not grow");
    // As much is read whatever was drawn.
    assert!(hear(&long, [0, 1, 1], OutputKind::Device).1 == read);
}

#[test]
fn a_device_that_is_faster_than_the_disk_hears_a_dropout_and_nothing_else() {
    let (long, _) = long_pair(RATE);
    let (mut player, mut renderer, shared) = manual_as(OutputKind::Device, PlayerOptions::default());
    player.load_sounds(&long);
    player.play();
    // Nobody can read ahead of a device that asks for five seconds at once.
    let mut block = vec![0.0; 2 * 240_000];
    assert_no_alloc(|| renderer.render(&mut block));
    assert!(shared.holes.load(Ordering::Relaxed) >= 1);
    assert!(
        shared.played.load(Ordering::Relaxed) < 240_000,
        "what is not here is silence, and the sound stands still"
    );
}

#[test]
fn the_device_callback_allocates_nothing_in_any_format() {
    let stimuli = [tone(9_000, 0.01, 1), tone(9_000, 0.02, 1)];
    let exercise = |fill: &mut dyn FnMut(usize, Duration), player: &mut Player| {
        let mut now = Duration::ZERO;
        player.load(&stimuli);
        player.play();
        for i in 0..400_usize {
            // Commands are sent outside; the callback only receives.
            match i % 7 {
                0 => player.switch_to(i % 2),
                2 => player.seek(i as u64 * 10),
                4 => player.set_loop(Some((100, 5_000))),
                5 => player.pause(),
                6 => player.play(),
                _ => {}
            }
            if i % 50 == 49 {
                player.load(&stimuli);
            }
            // Now and then a call comes too late, and the device has run dry.
            now += Duration::from_millis(if i % 90 == 89 { 900 } else { 8 });
            assert_no_alloc(|| fill(1 + (i * 37) % 700, now));
        }
    };
    let (mut player, renderer, shared) = manual(PlayerOptions::default());
    let mut callback = Callback::new(renderer, &CONFIG, shared, |sample: f32, _, _| sample);
    let mut buffer = vec![0.0_f32; 2 * 700];
    exercise(&mut |frames, now| callback.fill(&mut buffer[..2 * frames], now, AHEAD), &mut player);

    let (mut player, renderer, shared) = manual(PlayerOptions::default());
    let mut callback = Callback::new(renderer, &CONFIG, shared, to_i32);
    let mut buffer = vec![0_i32; 2 * 700];
    exercise(&mut |frames, now| callback.fill(&mut buffer[..2 * frames], now, AHEAD), &mut player);

    let (mut player, renderer, shared) = manual(PlayerOptions::default());
    let mut callback = Callback::new(renderer, &CONFIG, Arc::clone(&shared), to_i16(Dither::new(0)));
    let mut buffer = vec![0_i16; 2 * 700];
    exercise(&mut |frames, now| callback.fill(&mut buffer[..2 * frames], now, AHEAD), &mut player);
    assert_eq!(shared.callbacks.load(Ordering::Relaxed), 400);
    assert_eq!(shared.underruns.load(Ordering::Relaxed), 4);
}

#[test]
fn a_flood_of_commands_loses_none_that_fits_and_blocks_never() {
    let (mut player, mut renderer, shared) = manual(PlayerOptions::default());
    player.load(&[tone(9_000, 0.01, 2), tone(9_000, 0.02, 2)]);
    for i in 0..10_000 {
        player.switch_to(i % 2);
    }
    assert_eq!(player.status().index, 1);
    let mut block = vec![0.0; 512];
    renderer.render(&mut block);
    assert_eq!(shared.rendered.load(Ordering::Relaxed), 256);
}

#[test]
fn integers_are_exact_and_clipped() {
    for (sample, expected) in [(0.0, 0), (0.5, 1 << 30), (-1.0, i32::MIN), (1.0, i32::MAX), (2.0, i32::MAX)] {
        assert_eq!(to_i32(sample, 0, 0), expected);
    }
}
