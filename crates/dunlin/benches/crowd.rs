//! How the time for a crowd grows with its size: the same density and traffic, 10 to 10 000
//! stations, and the exponent of the best line through the logarithms.
//!
//! `cargo bench -p dunlin --bench crowd` tries up to a hundred hours of small ones,
//! an hour of large ones.

use std::time::Instant as Clock;

use dunlin_clock::{Duration, Instant, SampleRate};
use dunlin_plan::{Plan, PlanRules};
use dunlin_rehearsal::{Crowd, CrowdPlan, Layout, Traffic};
use dunlin_station::PortConfig;

const SIZES: [usize; 7] = [10, 30, 100, 300, 1000, 3000, 10_000];

fn port() -> PortConfig {
    let plan = "[station]\ncall = \"QA1SKY\"\n[[port]]\nname = \"VHF\"\nmode = \"afsk1200\"\n";
    let rules = PlanRules::rehearsal(SampleRate::new(24_000).expect("not zero"));
    let plan = Plan::read("plan", plan.as_bytes(), &rules).expect("no fault");
    plan.station.ports.into_iter().next().expect("one port")
}

fn main() {
    println!("stations  in reach    events  seconds  events/s  times real time");
    let mut points = Vec::new();
    for stations in SIZES {
        let plan = CrowdPlan {
            stations,
            seed: 1,
            port: port(),
            layout: Layout::Scattered { neighbours: 12.0 },
            traffic: Traffic {
                beacon_every: Some(Duration::from_secs(1800)),
                talks_a_day: 4.0,
                bulk_a_day: 1.0,
                steady: None,
            },
        };
        // Small crowds take longer in their own time, so that each takes long enough to measure.
        let hours = (3000 / stations).clamp(1, 100) as u64;
        let mut crowd = Crowd::begin(&plan).expect("fits");
        let began = Clock::now();
        crowd.run(Instant::ZERO + Duration::from_secs(3600 * hours));
        let seconds = began.elapsed().as_secs_f64();
        let figures = crowd.figures();
        println!(
            "{stations:>8}  {:>8.1}  {:>8}  {seconds:>7.2}  {:>8.0}  {:>8.0}",
            figures.neighbours,
            figures.inputs,
            figures.inputs as f64 / seconds,
            figures.lasted_s / seconds
        );
        points.push(((stations as f64).ln(), (seconds / hours as f64).ln()));
    }
    println!(
        "time for an hour grows as the number of stations to the power {:.3}",
        slope(&points)
    );
}

/// The slope of the line with the least squares.
fn slope(points: &[(f64, f64)]) -> f64 {
    let n = points.len() as f64;
    let (mx, my) = points
        .iter()
        .fold((0.0, 0.0), |(x, y), p| (x + p.0 / n, y + p.1 / n));
    let above: f64 = points.iter().map(|(x, y)| (x - mx) * (y - my)).sum();
    let below: f64 = points.iter().map(|(x, _)| (x - mx).powi(2)).sum();
    above / below
}
