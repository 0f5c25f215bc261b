//! From an error of the sound system to what a sitting is told, without a sound system: some backends never report some
//! kinds, so the chain is tested from the error callback on.

use crate::trial::OutputKind;
use std::sync::Arc;

use assert_no_alloc::assert_no_alloc;
use cpal::ErrorKind;

use super::super::device::hear_of;
use super::super::handle::connect;
use super::super::shared::Shared;
use super::super::{OutputDescription, Transport};
use super::*;

const RATE: u32 = 48_000;

/// A stream under watch whose callbacks and errors come from the test.
fn stream() -> (Arc<Shared>, Watched<()>) {
    let shared = Arc::new(Shared::default());
    let watched = watched(Playing { stream: (), shared: Arc::clone(&shared), rate_hz: RATE });
    (shared, watched)
}

/// What one look tells, and why the stream is lost, if it is. A block was asked for just before.
fn look(shared: &Shared, watched: &mut Watched<()>) -> (Vec<PlayerEvent>, Option<String>) {
    Shared::count(&shared.callbacks);
    let mut told = Vec::new();
    let lost = watched.look(&mut |event| told.push(event));
    (told, lost)
}

/// Everything that the error callback may change.
fn counters(shared: &Shared) -> [u64; 4] {
    let load = |counter: &std::sync::atomic::AtomicU64| counter.load(Ordering::Relaxed);
    [
        load(&shared.underruns),
        load(&shared.moved),
        load(&shared.errors),
        u64::from(shared.gone.load(Ordering::Relaxed)),
    ]
}

/// Every kind there is, with what it changes: underruns, moves, errors, gone.
const KINDS: [(ErrorKind, [u64; 4]); 14] = [
    (ErrorKind::Xrun, [1, 0, 0, 0]),
    (ErrorKind::DeviceChanged, [0, 1, 0, 0]),
    (ErrorKind::BackendError, [0, 0, 1, 0]),
    (ErrorKind::DeviceBusy, [0, 0, 1, 0]),
    (ErrorKind::InvalidInput, [0, 0, 1, 0]),
    (ErrorKind::PermissionDenied, [0, 0, 1, 0]),
    (ErrorKind::ResourceExhausted, [0, 0, 1, 0]),
    (ErrorKind::UnsupportedConfig, [0, 0, 1, 0]),
    (ErrorKind::UnsupportedOperation, [0, 0, 1, 0]),
    (ErrorKind::Other, [0, 0, 1, 0]),
    (ErrorKind::DeviceNotAvailable, [0, 0, 0, 1]),
    (ErrorKind::StreamInvalidated, [0, 0, 0, 1]),
    (ErrorKind::HostUnavailable, [0, 0, 0, 1]),
    (ErrorKind::RealtimeDenied, [0, 0, 0, 0]),
];

#[test]
fn every_kind_of_error_becomes_its_event_or_none() {
    for (kind, changed) in KINDS {
        let (shared, mut watched) = stream();
        shared.running.store(true, Ordering::Relaxed);
        assert_eq!(look(&shared, &mut watched), (Vec::new(), None), "{kind:?}: nothing has happened yet");
        hear_of(&shared, kind);
        assert_eq!(counters(&shared), changed, "{kind:?}");
        let (told, lost) = look(&shared, &mut watched);
        let expected = match kind {
            ErrorKind::Xrun => vec![PlayerEvent::Underrun],
            ErrorKind::DeviceChanged => vec![PlayerEvent::DeviceChanged],
            _ => Vec::new(),
        };
        assert_eq!(told, expected, "{kind:?}");
        let gone = changed[3] == 1;
        assert_eq!(lost.is_some(), gone, "{kind:?}: {lost:?}");
        assert!(lost.is_none_or(|reason| reason.contains("gone")), "{kind:?}");
        if !gone {
            assert_eq!(look(&shared, &mut watched), (Vec::new(), None), "{kind:?}: it is told once");
        }
    }
}

#[test]
fn a_hole_in_silence_disturbs_nobody_and_a_move_always_does() {
    let (shared, mut watched) = stream();
    hear_of(&shared, ErrorKind::Xrun);
    assert_eq!(look(&shared, &mut watched), (Vec::new(), None));
    // Whoever pauses while the system moves the sound hears the next trial elsewhere.
    hear_of(&shared, ErrorKind::DeviceChanged);
    assert_eq!(look(&shared, &mut watched), (vec![PlayerEvent::DeviceChanged], None));
}

/// An output whose reports are what a watch finds, as the supervisor's thread sends them.
struct UnderWatch {
    watched: Option<Watched<()>>,
}

impl Output for UnderWatch {
    fn reports(&mut self) -> Vec<Report> {
        let mut reports = Vec::new();
        let lost = self
            .watched
            .as_mut()
            .and_then(|watched| watched.look(&mut |event| reports.push(Report::Event(event))));
        if let Some(reason) = lost {
            reports.push(Report::Event(PlayerEvent::DeviceLost { reason }));
            self.watched = None;
        }
        reports
    }

    fn reopen(&mut self, _rate_hz: u32) -> Option<Opened> {
        None
    }
}

fn player(options: PlayerOptions) -> (Player, Arc<Shared>) {
    let (link, _) = connect(options, RATE, 2);
    let shared = Arc::clone(&link.shared);
    let stream = watched(Playing { stream: (), shared: Arc::clone(&shared), rate_hz: RATE });
    let description = OutputDescription {
        kind: OutputKind::Device,
        name: "test".into(),
        host: String::new(),
        rate_hz: RATE,
        format: "s16".into(),
        buffer_frames: 256,
        channels: 2,
        resampled_from_hz: None,
        path: None,
    };
    let output = UnderWatch { watched: Some(stream) };
    (Player::new(Box::new(output), Opened { link, description }), shared)
}

/// A million errors, as a dead server sends them in a second. Each is one addition to a counter: nothing is allocated, so
/// nothing grows; nothing is told while blocks are asked for, so nothing can be written; and when blocks are no longer
/// asked for, the sitting gets one event.
#[test]
fn a_million_errors_are_one_number_and_at_most_one_event() {
    const ERRORS: u64 = 1_000_000;
    let (mut player, shared) = player(PlayerOptions::default());
    Shared::count(&shared.callbacks);
    assert_eq!(player.take_events(), []);
    let flooded = Arc::clone(&shared);
    let flood = std::thread::spawn(move || {
        assert_no_alloc(|| {
            for _ in 0..ERRORS {
                hear_of(&flooded, ErrorKind::BackendError);
            }
        });
    });
    while !flood.is_finished() {
        Shared::count(&shared.callbacks);
        assert_eq!(player.take_events(), [], "a device that plays on is not lost");
        std::thread::yield_now();
    }
    flood.join().expect("the flood ends by itself");
    assert_eq!(shared.errors.load(Ordering::Relaxed), ERRORS);
    // Now the device is dead: no block is asked for any more, and errors go on.
    let mut events = Vec::new();
    let deadline = Instant::now() + Duration::from_secs(60);
    while events.is_empty() {
        assert!(Instant::now() < deadline, "nobody noticed that the device is dead");
        for _ in 0..10 * FLOOD_ERRORS {
            hear_of(&shared, ErrorKind::BackendError);
        }
        events.extend(player.take_events());
    }
    let [PlayerEvent::DeviceLost { reason }] = events.as_slice() else { panic!("{events:?}") };
    assert!(reason.contains("no block was asked for"), "{reason}");
    for _ in 0..1_000 {
        hear_of(&shared, ErrorKind::BackendError);
        assert_eq!(player.take_events(), [], "it is said once");
    }
}

/// The times of looks at a stream that renders at some pace, one look every 20 ms; what the pace is told to be.
fn paces(pace_hz: f64, seconds: f64) -> Vec<u32> {
    let start = Instant::now();
    let mut pace = Pace { since: start, from: 0, settled: false, suspicions: 0, told: false };
    (0..(seconds / 0.02) as u32)
        .filter_map(|look| {
            let elapsed = f64::from(look) * 0.02;
            pace.measure(start + Duration::from_secs_f64(elapsed), (elapsed * pace_hz) as u64, RATE)
        })
        .collect()
}

#[test]
fn a_device_at_another_rate_is_suspected_once_and_a_clock_that_is_a_little_off_never() {
    // 44.1 kHz on a device that was asked for 48 kHz: after the settling time and two windows.
    assert!(paces(44_100.0, 14.9).is_empty());
    let told = paces(44_100.0, 60.0);
    assert_eq!(told.len(), 1, "{told:?}");
    assert!(told[0].abs_diff(44_100) <= 1, "{told:?}");
    // The quartz of a sound device is within 0.1 % of its rate (common practice, no source).
    for off in [0.999, 1.0, 1.001] {
        assert!(paces(48_000.0 * off, 60.0).is_empty(), "{off}");
    }
}
