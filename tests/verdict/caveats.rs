//! Each caveat alone and together with each other one: what brings it about brings it about, and hides no other.

use earwitness::clip::dither::WordLength;
use earwitness::evidence::{
    self, Agreed, Anonymiser, DeviceFacts, Evidence, PositionsFacts, SittingFacts, State, Unusable,
};
use earwitness::session::Family;
use earwitness::stats::panel::Heterogeneity;
use earwitness::stimulus::marks::Usual;
use earwitness::stimulus::recorded::{MarkFacts, RecordedFacts, Telltale};
use earwitness::trial::Digest;
use earwitness::trial::positions::{Found, When};
use earwitness::trial::record::{OutputPath, QualificationTerms, SwitcherTerms, WagerTerms};
use earwitness::verdict::caveat::{self, ALL, Case, Kind};
use earwitness::verdict::{self, Findings, OnPaper};

use crate::report::material::{Plan, SESSION, Site};

/// Everything that a caveat may look at, to be changed.
#[derive(Clone)]
struct World {
    agreed: Agreed,
    evidence: Evidence,
    findings: Findings,
    /// Of identical controls, were there any.
    leak: Option<f64>,
    on_paper: OnPaper,
}

/// Two listeners who did all that was asked of them.
fn without_fault() -> World {
    let mut site = Site::new(&format!("{SESSION}\n[panel]\nlisteners = 2\n"));
    site.hold(&Plan::new("Ada", 1, 0.6));
    site.hold(&Plan::new("Bel", 2, 0.6));
    let agreed = Agreed::of(&site.session);
    let readings = evidence::folder(&site.session.sittings_folder(), None).expect("the folder can be read");
    let evidence = Evidence::of(&agreed, vec![readings], &Anonymiser::SHOWS);
    let on_paper = OnPaper::default();
    let findings = verdict::judge(&agreed, &evidence, &on_paper);
    World { agreed, evidence, findings, leak: None, on_paper }
}

fn kinds(world: &World) -> Vec<Kind> {
    told(world).into_iter().map(|caveat| caveat.kind).collect()
}

fn told(world: &World) -> Vec<caveat::Caveat> {
    let case = Case {
        agreed: &world.agreed,
        evidence: &world.evidence,
        comparisons: &world.findings.comparisons,
        controls: &world.findings.controls,
        leak: world.leak,
        on_paper: &world.on_paper,
    };
    let found = caveat::found(&case);
    assert!(found.is_sorted_by_key(|caveat| caveat.weight), "heaviest first");
    for caveat in &found {
        assert!(caveat.text.ends_with('.') && caveat.remedy.ends_with('.'), "{caveat:?}");
    }
    found
}

/// One more sitting like the first.
fn one_more(world: &mut World, change: impl FnOnce(&mut SittingFacts)) {
    let mut sitting = world.evidence.sittings[0].clone();
    change(&mut sitting);
    world.evidence.sittings.push(sitting);
}

/// What the journals say of every pair of recordings.
fn recorded(world: &mut World, found: &[Telltale]) {
    for pair in world.evidence.stimuli.iter_mut().flat_map(|set| &mut set.pairs) {
        let facts = RecordedFacts { marks_against: Some(Usual::Repeats), found: found.to_vec() };
        pair.recorded = Some(facts).filter(|_| pair.control.is_none());
    }
}

fn unlike() -> Heterogeneity {
    Heterogeneity { chi_squared: 12.0, degrees: 1, p_value: 0.0005 }
}

type Cause = fn(&mut World);

/// What brings each caveat about. A new one is entered here, or the first test below fails.
const CAUSES: &[(Kind, Cause)] = &[
    (Kind::Invented, |world| world.agreed.invented = true),
    (Kind::NoSittings, |world| {
        world.evidence.sittings.clear();
        world.evidence.listeners.clear();
        world.evidence.trials.clear();
        world.evidence.inputs.clear();
    }),
    (Kind::InvalidJournals, |world| {
        let unusable = Unusable { file: "x.jsonl".into(), place: None, reason: "it is no journal".into() };
        world.evidence.unusable.push(unusable);
    }),
    (Kind::ForeignJournals, |world| {
        one_more(world, |own| (own.state, own.counted) = (State::Foreign, false));
    }),
    (Kind::RegisterBroken, |world| world.evidence.register.problem = Some("its chain is broken".into())),
    (Kind::JournalsMissing, |world| world.evidence.register.missing.push("a sitting".into())),
    (Kind::SittingsGone, |world| world.evidence.register.gone.push(Digest::NOTHING)),
    (Kind::Unregistered, |world| world.evidence.register.unregistered = 1),
    (Kind::Abandoned, |world| one_more(world, |own| (own.state, own.counted) = (State::Unfinished, false))),
    (Kind::StoppedEarly, |world| {
        one_more(world, |own| (own.state, own.counted) = (State::StoppedEarly, false));
    }),
    (Kind::NotQualified, |world| {
        world.agreed.terms.qualification = Some(QualificationTerms { trials: 3, correct: 3, protocol: None });
        one_more(world, |own| {
            (own.state, own.counted, own.qualification) = (State::NotQualified, false, Some((1, 3).into()));
        });
    }),
    (Kind::WeakQualification, |world| {
        world.agreed.terms.qualification = Some(QualificationTerms { trials: 3, correct: 1, protocol: None });
    }),
    (Kind::PanelIncomplete, |world| world.evidence.panel.as_mut().expect("declared").sat = 1),
    (Kind::PanelLost, |world| world.evidence.panel.as_mut().expect("declared").lost = 1),
    (Kind::PanelBrokenOff, |world| world.evidence.panel.as_mut().expect("declared").broken_off = 1),
    (Kind::OpenPanel, |world| world.evidence.panel = None),
    (Kind::BeyondPanel, |world| world.evidence.panel.as_mut().expect("declared").beyond = 1),
    (Kind::LeftOut, |world| world.evidence.panel.as_mut().expect("declared").left_out = vec![0]),
    (Kind::Simulated, |world| one_more(world, |own| (own.simulated, own.counted) = (Some(0.9), false))),
    (Kind::Silent, |world| one_more(world, |own| (own.silent, own.counted) = (true, false))),
    (Kind::Disturbed, |world| world.evidence.sittings[0].void = 1),
    (Kind::SoundServer, |world| {
        let wager = WagerTerms {
            claimant: "Ida".into(),
            skeptic: "Jorin".into(),
            claim: "I hear it".into(),
            claimant_wins: "Jorin cooks".into(),
            skeptic_wins: "Ida cooks".into(),
            needed: 7,
            side: None,
            deciding: None,
        };
        world.agreed.terms.wager = Some(wager);
        world.evidence.sittings[0].output_path = Some(OutputPath::SoundServer);
    }),
    (Kind::Resumed, |world| world.evidence.sittings[0].resumed = 1),
    (Kind::NoHands, |world| world.evidence.sittings[0].hands.clear()),
    (Kind::SharedRoom, |world| one_more(world, |own| own.night = true)),
    (Kind::SeveralSittings, |world| {
        one_more(world, |_| {});
        let last = world.evidence.sittings.len() - 1;
        world.evidence.listeners[0].sittings.push(last);
    }),
    (Kind::Hurried, |world| {
        let own = world.evidence.trials.iter_mut().filter(|trial| trial.listener == Some(0));
        own.for_each(|trial| trial.heard_ms = 1200);
    }),
    (Kind::Patterned, |world| {
        let own = world.evidence.trials.iter_mut().filter(|trial| trial.listener == Some(0));
        own.for_each(|trial| trial.answer = trial.answer.map(|_| 1));
    }),
    (Kind::PreparedSession, |world| _ = world.evidence.preparers.insert(0)),
    (Kind::WordsCouldHide, |world| {
        world.evidence.sittings[0].words = Some(DeviceFacts {
            words: WordLength::Bits16,
            noise_db: -93.3,
            level_db: -20.0,
            comparison: Some("thin-thick".into()),
            clip: Some("plucked".into()),
            margin_db: Some(1.0),
            could_hide: true,
        });
    }),
    (Kind::SwitchUnproven, |world| {
        world.agreed.terms.switcher = Some(SwitcherTerms {
            kind: "serial".into(),
            terminals: ["thin".into(), "thick".into()],
            apart_ms: 500,
            settle_ms: 500,
            starts_anew: true,
            spread_ms: Some(0),
            labels_drawn: None,
            measured: None,
            filled: Some(true),
        });
    }),
    (Kind::SwitchedByHand, |world| {
        world.agreed.terms.switcher = Some(SwitcherTerms {
            kind: "operator".into(),
            terminals: ["thin".into(), "thick".into()],
            apart_ms: 500,
            settle_ms: 500,
            starts_anew: true,
            spread_ms: Some(0),
            labels_drawn: None,
            measured: Some(true),
            filled: Some(true),
        });
        for sitting in &mut world.evidence.sittings {
            sitting.positions = [When::Before, When::After]
                .map(|when| PositionsFacts {
                    when,
                    found: Found::AsPredicted,
                    largest_db: -0.05,
                    at_hz: 1000.0,
                    uncertainty_db: 0.01,
                    predicted_db: -0.05,
                    level_db: -0.05,
                })
                .to_vec();
        }
    }),
    (Kind::TerminalLevels, |world| {
        world.evidence.sittings[0].positions.push(PositionsFacts {
            when: When::Before,
            found: Found::AsPredicted,
            largest_db: -0.4,
            at_hz: 1000.0,
            uncertainty_db: 0.01,
            predicted_db: -0.4,
            level_db: -0.3,
        });
    }),
    (Kind::InputsChanged, |world| world.evidence.inputs[0].files[0].changed = true),
    (Kind::StimuliDiffer, |world| {
        let mut other = world.evidence.stimuli[0].clone();
        other.pairs[0].a_sha256 = "00".into();
        world.evidence.stimuli.push(other);
    }),
    (Kind::Recordings, |world| {
        world.agreed.terms.comparisons[0].recorded = Some(earwitness::session::Takes::One);
        recorded(world, &[]);
    }),
    (Kind::RecordingsTold, |world| {
        let mark = MarkFacts { over_db: 20.0, level_db: -70.0, at_hz: 15_300.0, at_s: None, share: 0.95 };
        recorded(world, &[Telltale::Mark(mark)]);
    }),
    (Kind::NoPositiveControls, |world| {
        world.agreed.terms.controls.retain(|control| !control.is_positive());
    }),
    (Kind::ControlsMissed, |world| world.evidence.listeners[1].positive_controls = (0, 4).into()),
    (Kind::Leak, |world| world.leak = Some(1e-4)),
    (Kind::TooFewTrials, |world| world.agreed.terms.alpha = 1e-12),
    (Kind::LittlePower, |world| world.findings.comparisons[0].results.truncate(1)),
    (Kind::LevelAudible, |world| world.on_paper.level_db = vec![Some(-0.5)]),
    (Kind::ListenersUnlike, |world| {
        let panel = world.findings.comparisons[0].panel.as_mut().expect("two listeners");
        panel.independent.as_mut().expect("of their own").heterogeneity = Some(unlike());
    }),
    (Kind::PlacesUnlike, |world| world.findings.comparisons[0].between_places = Some(unlike())),
    (Kind::Implausible, |world| {
        let own = &mut world.findings.comparisons[0].results[0];
        own.correct = own.trials;
        own.analysis.as_mut().expect("tested").significant = true;
        world.evidence.trials.iter_mut().for_each(|trial| trial.slots_heard = 1);
    }),
    (Kind::KnownDifference, |world| world.on_paper.known_db = vec![Some((0.2, 0.3))]),
    (Kind::NoFamilyControl, |world| {
        world.agreed.family = Family::None;
        let again = world.agreed.terms.comparisons[0].clone();
        world.agreed.terms.comparisons.push(again);
    }),
    (Kind::NotComputed, |world| world.on_paper.problems.push("a clip is not there".into())),
];

#[test]
fn every_caveat_is_told_alone() {
    let world = without_fault();
    assert_eq!(kinds(&world), [], "nothing to say of sittings without fault");
    let registered: Vec<Kind> = ALL.iter().map(|(kind, ..)| *kind).collect();
    let caused: Vec<Kind> = CAUSES.iter().map(|(kind, _)| *kind).collect();
    assert_eq!(caused, registered, "each caveat has a cause here, in the same order");
    for (kind, cause) in CAUSES {
        let mut world = world.clone();
        cause(&mut world);
        assert_eq!(kinds(&world), [*kind]);
    }
    for (at, (kind, name, about, _)) in ALL.iter().enumerate() {
        assert!(ALL[..at].iter().all(|(_, other, ..)| other != name), "{name} stands there twice");
        assert_eq!(kind.name(), *name);
        assert!(about.ends_with('.') && about.len() > 20, "{name}: {about}");
    }
}

#[test]
fn nobody_is_told_to_match_the_levels_of_real_cables() {
    let cause = |kind: Kind| CAUSES.iter().find(|(own, _)| *own == kind).expect("a cause").1;
    let mut world = without_fault();
    cause(Kind::LevelAudible)(&mut world);
    let remedy = |world: &World| {
        told(world).into_iter().find(|caveat| caveat.kind == Kind::LevelAudible).expect("told").remedy
    };
    assert!(remedy(&world).contains("matched"));
    cause(Kind::SwitchUnproven)(&mut world);
    assert!(!remedy(&world).contains("matched"), "{}", remedy(&world));
}

#[test]
fn no_caveat_hides_another() {
    let world = without_fault();
    // By what they say: a test that can find nothing has no power to be told; and where nobody sat nothing happened.
    let exclude = |one: Kind, other: Kind| {
        // A panel that nobody declared has no standing.
        let panel =
            [Kind::PanelIncomplete, Kind::PanelLost, Kind::PanelBrokenOff, Kind::BeyondPanel, Kind::LeftOut];
        matches!((one, other), (Kind::TooFewTrials, Kind::LittlePower))
            // Their causes are two switches.
            || (one, other) == (Kind::SwitchUnproven, Kind::SwitchedByHand)
            || one == Kind::NoSittings
            || (one == Kind::OpenPanel && panel.contains(&other))
            || (other == Kind::OpenPanel && panel.contains(&one))
    };
    let mut pairs = 0;
    for (at, (one, first)) in CAUSES.iter().enumerate() {
        for (other, second) in &CAUSES[at + 1..] {
            if exclude(*one, *other) {
                continue;
            }
            let mut world = world.clone();
            first(&mut world);
            second(&mut world);
            let found = kinds(&world);
            assert!(found.contains(one) && found.contains(other), "{one:?} and {other:?}: {found:?}");
            assert!(
                found.iter().all(|kind| kind == one || kind == other),
                "{one:?} and {other:?}: {found:?}"
            );
            pairs += 1;
        }
    }
    assert!(pairs > 500, "{pairs}");
}
