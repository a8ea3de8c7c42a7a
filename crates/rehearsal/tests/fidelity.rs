//! Rehearsals with whole frames against the same with sound: what agrees, and how well.

use dunlin_clock::{Duration, Instant};
use dunlin_rehearsal::ledger::Arrival;
use dunlin_rehearsal::{Embedded, Fidelity, Rehearsal, Scenario, Summary, Told, report, timeline};

fn scenario(name: &str) -> Scenario {
    let embedded = Embedded::called(name).expect("it comes with the program");
    Scenario::read(name, embedded.text.as_bytes()).unwrap_or_else(|faults| panic!("{faults}"))
}

struct Run {
    text: String,
    summary: Summary,
}

fn run(name: &str, seed: u64, lasts: Option<Duration>, fidelity: Fidelity) -> Run {
    let scenario = scenario(name);
    let lasts = lasts.unwrap_or(scenario.lasts);
    let begun = Rehearsal::begin_at(scenario, seed, true, fidelity);
    let mut rehearsal = begun.expect("it begins");
    let mut text = String::new();
    while rehearsal.now() < Instant::ZERO + lasts {
        rehearsal.advance(rehearsal.now() + Duration::from_secs(1));
        tell(&mut rehearsal, &mut text);
    }
    rehearsal.end();
    tell(&mut rehearsal, &mut text);
    let summary = Summary::of(&rehearsal, true);
    text.push_str(&report::text(&summary));
    Run { text, summary }
}

fn tell(rehearsal: &mut Rehearsal, text: &mut String) {
    while let Some(told) = rehearsal.poll() {
        if let Told::Happened(happening) = told {
            for line in timeline::lines(&happening) {
                text.push_str(&line);
                text.push('\n');
            }
        }
    }
}

/// What is compared.
#[derive(Clone, Copy, Debug, Default)]
struct Figures {
    frames: f64,
    /// Of the readings that could be.
    read: f64,
    collisions: f64,
    talks: f64,
    octets: f64,
    /// Mean length of the talks that were answered and have ended, s.
    talk_s: f64,
    /// Text that came out otherwise than it was written.
    unlike: f64,
}

impl Figures {
    fn of(summary: &Summary) -> Figures {
        let sum = |f: &dyn Fn(&dunlin_rehearsal::BandSummary) -> u64| {
            summary.bands.iter().map(f).sum::<u64>() as f64
        };
        let in_reach = sum(&|b| b.frames.in_reach).max(1.0);
        let ended = summary.talks.iter().filter(|t| t.answered && t.ended);
        let lengths: Vec<f64> = ended.map(|t| t.lasted_ms as f64 / 1000.0).collect();
        let ways = summary.deliveries.iter().flat_map(|d| [&d.there, &d.back]);
        let unlike = ways.clone().filter(|w| w.arrival == Arrival::Unlike);
        Figures {
            frames: sum(&|b| b.frames.sent),
            read: sum(&|b| b.frames.read) / in_reach,
            collisions: sum(&|b| b.frames.collision) / in_reach,
            talks: summary.talks.iter().filter(|t| t.answered).count() as f64,
            octets: ways.clone().map(|w| w.as_written as f64).sum(),
            talk_s: lengths.iter().sum::<f64>() / (lengths.len() as f64).max(1.0),
            unlike: unlike.count() as f64,
        }
    }

    fn row(&self) -> String {
        format!(
            "{:>7.1} {:>7.3} {:>10.3} {:>6.1} {:>8.1} {:>8.1} {:>7.0}",
            self.frames,
            self.read,
            self.collisions,
            self.talks,
            self.octets,
            self.talk_s,
            self.unlike
        )
    }

    fn mean(all: &[Figures]) -> Figures {
        let mean = |f: &dyn Fn(&Figures) -> f64| all.iter().map(f).sum::<f64>() / all.len() as f64;
        Figures {
            frames: mean(&|f| f.frames),
            read: mean(&|f| f.read),
            collisions: mean(&|f| f.collisions),
            talks: mean(&|f| f.talks),
            octets: mean(&|f| f.octets),
            talk_s: mean(&|f| f.talk_s),
            unlike: mean(&|f| f.unlike),
        }
    }
}

#[test]
fn marrow_isles_keep_their_promises_as_frames() {
    for seed in 1..=6 {
        let run = run("marrow-isles", seed, None, Fidelity::Frame);
        assert!(run.summary.kept, "seed {seed}:\n{}", run.text);
        assert_eq!(run.summary.nobody_sent, 0);
    }
}

#[test]
fn a_hidden_pair_keeps_its_promises_as_frames() {
    for seed in 1..=10 {
        let run = run("hidden-pair", seed, None, Fidelity::Frame);
        assert!(run.summary.kept, "seed {seed}:\n{}", run.text);
        let frames = run.summary.bands[0].frames;
        assert!(frames.collision > 0, "seed {seed}");
        let fates = frames.read + frames.noise + frames.collision + frames.own_transmission;
        assert_eq!(frames.in_reach, fates);
    }
}

#[test]
fn the_same_seed_gives_the_same_lines_and_another_does_not() {
    let lines = |seed| run("marrow-isles", seed, None, Fidelity::Frame).text;
    assert_eq!(lines(7), lines(7));
    assert_ne!(lines(7), lines(8));
}

#[test]
fn the_length_of_steps_changes_nothing() {
    let lines = |step_ms: u64| {
        let begun = Rehearsal::begin_at(scenario("hidden-pair"), 3, true, Fidelity::Frame);
        let mut rehearsal = begun.expect("it begins");
        let mut text = String::new();
        while rehearsal.now() < Instant::from_secs(240) {
            rehearsal.advance(rehearsal.now() + Duration::from_millis(step_ms));
            tell(&mut rehearsal, &mut text);
        }
        rehearsal.end();
        tell(&mut rehearsal, &mut text);
        text
    };
    assert_eq!(lines(20), lines(8000));
}

/// Three minutes of the hidden pair with sound against ten seeds with frames: the sound lies within
/// what chance gives.
#[test]
fn sound_lies_within_what_chance_gives_to_frames() {
    let lasts = Some(Duration::from_secs(180));
    let sound = Figures::of(&run("hidden-pair", 1, lasts, Fidelity::Sound).summary);
    let frames: Vec<Figures> = (1..=10)
        .map(|seed| Figures::of(&run("hidden-pair", seed, lasts, Fidelity::Frame).summary))
        .collect();
    println!("sound  {}", sound.row());
    frames.iter().for_each(|f| println!("frames {}", f.row()));
    let mean = Figures::mean(&frames);
    let close = |name: &str, figure: &dyn Fn(&Figures) -> f64| {
        let spread = frames
            .iter()
            .map(|f| (figure(f) - figure(&mean)).powi(2))
            .sum::<f64>();
        let deviation = (spread / 9.0).sqrt();
        let apart = (figure(&sound) - figure(&mean)).abs();
        // Three standard deviations of one run, and 5 % of the figure for the model.
        let allowed = 3.0 * deviation + 0.05 * figure(&mean);
        assert!(apart <= allowed, "{name}: {apart} apart, {allowed} allowed");
    };
    close("frames", &|f| f.frames);
    close("share read", &|f| f.read);
    close("talks", &|f| f.talks);
    close("length of talks", &|f| f.talk_s);
    assert_eq!(mean.unlike + sound.unlike, 0.0);
}

/// The figures with frames alone, over more seeds.
#[test]
#[ignore = "prints a table; cargo test -p dunlin-rehearsal --test fidelity figures -- --ignored --nocapture"]
fn figures_with_frames_alone() {
    for name in ["marrow-isles", "hidden-pair"] {
        let of = |seed| Figures::of(&run(name, seed, None, Fidelity::Frame).summary);
        let all: Vec<Figures> = (1..=20).map(of).collect();
        all.iter().for_each(|f| println!("{name:12}  {}", f.row()));
        let mean = Figures::mean(&all);
        println!("{name:12}= {}", mean.row());
        assert_eq!(
            mean.unlike, 0.0,
            "text came out otherwise than it was written"
        );
    }
}

/// The figures of docs/frame-level.md, and the tolerance stated there.
#[test]
#[ignore = "20 minutes; cargo test --release -p dunlin-rehearsal --test fidelity -- --ignored --nocapture"]
fn whole_scenarios_agree_within_the_stated_tolerance() {
    for (name, seeds) in [("marrow-isles", 3), ("hidden-pair", 6)] {
        println!(
            "{name}\n                frames    read collisions  talks   octets   talk_s  unlike"
        );
        let mut means = Vec::new();
        for fidelity in [Fidelity::Sound, Fidelity::Frame] {
            let mut all = Vec::new();
            for seed in 1..=seeds {
                let run = run(name, seed, None, fidelity);
                let figures = Figures::of(&run.summary);
                println!(
                    "{fidelity:?} {seed:>2}       {}  kept: {}",
                    figures.row(),
                    run.summary.kept
                );
                all.push(figures);
            }
            let mean = Figures::mean(&all);
            println!("{fidelity:?} mean     {}", mean.row());
            means.push(mean);
        }
        let [sound, frames] = [means[0], means[1]];
        assert_eq!((sound.unlike, frames.unlike), (0.0, 0.0));
        let near = |what: &str, a: f64, b: f64, allowed: f64| {
            let apart = (b / a - 1.0).abs();
            assert!(
                apart <= allowed,
                "{name}, {what}: {a:.2} with sound, {b:.2} with frames"
            );
        };
        near("frames sent", sound.frames, frames.frames, 0.15);
        near("talks answered", sound.talks, frames.talks, 0.2);
        near("length of talks", sound.talk_s, frames.talk_s, 0.2);
        assert!(
            (sound.read - frames.read).abs() < 0.03,
            "{name}: share read"
        );
    }
}
