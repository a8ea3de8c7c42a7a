//! A made-up region of stations with whole frames.

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_plan::{Plan, PlanRules};
use dunlin_rehearsal::{
    AccessSurvey, Crowd, CrowdFigures, CrowdPlan, Layout, Settings, Steady, Traffic,
};
use dunlin_station::PortConfig;

fn port() -> PortConfig {
    let plan = "[station]\ncall = \"QA1SKY\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n";
    let rules = PlanRules::rehearsal(SampleRate::new(24_000).expect("not zero"));
    let plan = Plan::read("plan", plan.as_bytes(), &rules).expect("no fault");
    plan.station.ports.into_iter().next().expect("one port")
}

fn plan(stations: usize, seed: u64) -> CrowdPlan {
    CrowdPlan {
        stations,
        seed,
        port: port(),
        layout: Layout::Scattered { neighbours: 10.0 },
        traffic: Traffic {
            beacon_every: Some(Duration::from_secs(900)),
            talks_a_day: 24.0,
            bulk_a_day: 6.0,
            steady: None,
        },
    }
}

fn run(plan: &CrowdPlan, hours: u64) -> CrowdFigures {
    let mut crowd = Crowd::begin(plan).expect("it begins");
    crowd.run(Instant::ZERO + Duration::from_secs(3600 * hours));
    crowd.figures()
}

#[test]
fn people_of_a_region_reach_each_other_and_the_figures_add_up() {
    let f = run(&plan(60, 1), 3);
    assert!((8.0..25.0).contains(&f.neighbours), "{f:?}");
    assert!(f.hidden > 0.05 && f.hidden < 0.7, "{f:?}");
    // 60 stations, 30 talks a day each, three hours: 225 expected.
    assert!((150..310).contains(&f.talks), "{f:?}");
    assert!(f.talks_answered > f.talks * 8 / 10, "{f:?}");
    assert!(
        f.lines_arrived > f.lines * 8 / 10 && f.lines_arrived <= f.lines,
        "{f:?}"
    );
    assert!(f.octets_arrived <= f.octets);
    assert!(
        f.read > 0 && f.noise > 0 && f.collision > 0 && f.own_transmission > 0,
        "{f:?}"
    );
    assert!(f.busy_share > 0.0 && f.busy_share < 1.0);
    assert!(f.key_down_share < f.busy_share);
    let [half, most] = [f.delay_half_s, f.delay_95_s].map(|d| d.expect("lines arrived"));
    assert!(half > 0.3 && half < most, "{f:?}");
    assert!(f.fairness.is_some_and(|j| j > 0.5 && j <= 1.0));
}

#[test]
fn the_same_seed_gives_the_same_region_and_another_does_not() {
    let of = |seed| run(&plan(30, seed), 1);
    assert_eq!(of(1), of(1));
    assert_ne!(of(1), of(2));
}

/// A hub and stations that write to it, with so many pairs hidden.
fn hub(hidden: f64, persistence: f64) -> CrowdFigures {
    let mut port = port();
    port.timing.persistence = persistence;
    let plan = CrowdPlan {
        stations: 9,
        seed: 1,
        port,
        layout: Layout::Hub { hidden },
        traffic: Traffic {
            steady: Some(Steady {
                every: Duration::from_secs(60),
                octets: 80,
            }),
            ..Traffic::default()
        },
    };
    run(&plan, 1)
}

#[test]
fn hidden_stations_and_a_greedy_persistence_cost_collisions() {
    let share = |f: &CrowdFigures| f.collision as f64 / (f.read + f.collision) as f64;
    let (seen, hidden) = (hub(0.0, 0.25), hub(1.0, 0.25));
    assert_eq!(seen.hidden, 0.0);
    let delay = |f: &CrowdFigures| f.delay_mean_s.expect("lines arrived");
    assert!(delay(&hidden) > 2.0 * delay(&seen), "{seen:?}\n{hidden:?}");
    assert!(hidden.transmissions > seen.transmissions * 3 / 2);
    let greedy = hub(0.0, 1.0);
    assert!(share(&greedy) > 1.5 * share(&seen), "{seen:?}\n{greedy:?}");
}

#[test]
fn a_survey_tries_settings_around_the_present_ones() {
    let survey = AccessSurvey {
        port: port(),
        stations: 5,
        hidden: 0.0,
        load: 0.2,
        line: 80,
        lasts: Duration::from_secs(600),
        seeds: vec![1, 2],
    };
    let present = Settings::of(&survey.port);
    let all = survey.of_slots();
    assert_eq!(all[0], present);
    assert!(all.len() >= 15);
    let trial = survey.try_out(present).expect("it begins");
    // 20 % of 150 octets a second were written.
    assert!((20.0..36.0).contains(&trial.octets_a_second), "{trial:?}");
    assert!(trial.arrived > 0.8 && trial.delay_s > 0.3, "{trial:?}");
    let frames = survey.of_frames(present);
    assert!(frames.iter().any(|s| s.window == 1 && s.info_length == 32));
}
