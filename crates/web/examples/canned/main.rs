//! A made-up feed for working on the page without an engine: everything it tells is invented
//! here, nothing is decoded and nothing is sent. `cargo run -p dunlin-web --example canned`
//! serves it; a first argument gives the TCP port, a second a password, and a third, `guest`,
//! lets people look on without it. For the real thing: `dunlin rehearse`.

mod bands;
mod conditions;
mod gates;
mod people;
mod picture;

use std::time::{Duration, Instant as Clock, UNIX_EPOCH};

use dunlin_clock::{Instant, WallTime};
use dunlin_web::{
    Access, Ask, FileRefusal, MailRefusal, Recording, WebConfig, hash_password, serve,
};

use crate::bands::Bands;
use crate::gates::Gates;
use crate::people::People;
use crate::picture::Picture;

/// History made up before the page opens.
const PAST: Duration = Duration::from_secs(15 * 60);
/// One turn of the loop.
const TURN: Duration = Duration::from_millis(20);

/// A minute of 1000 Hz at half of full scale.
fn tone(began: WallTime) -> Recording {
    let radians = |n: u32| f64::from(n) * 1000.0 / 9600.0 * std::f64::consts::TAU;
    Recording {
        port_name: "VHF (made up)".into(),
        rate_hz: 9600,
        began,
        samples: (0..60 * 9600)
            .map(|n| (0.5 * radians(n).sin()) as f32)
            .collect(),
    }
}

#[allow(clippy::disallowed_methods)] // This example is its own driver.
fn main() -> Result<(), Box<dyn std::error::Error>> {
    let port = match std::env::args().nth(1) {
        Some(text) => text.parse()?,
        None => 4711,
    };
    let since_1970 = std::time::SystemTime::now().duration_since(UNIX_EPOCH)?;
    let wall_at_zero = WallTime(i64::try_from((since_1970 - PAST).as_millis())?);
    let web = serve(WebConfig {
        port,
        access: access()?,
        wall_at_zero,
        ..WebConfig::default()
    })?;
    println!("A made-up feed (fixture, no engine) is at {}", web.url());
    let mut picture = Picture::new();
    let (mut bands, mut people) = (Bands::new(), People::new());
    let mut gates = Gates::new(wall_at_zero);
    for ms in (0..u64::try_from(PAST.as_millis())?).step_by(100) {
        bands.turn(ms, &mut picture);
        people.turn(ms, &mut picture);
        gates.turn(ms, &mut picture);
    }
    picture.drain().for_each(drop); // Before anybody listened.
    let began = Clock::now();
    loop {
        let now = Instant::ZERO + PAST + began.elapsed();
        web.hub.tick(now);
        bands.turn(now.as_millis(), &mut picture);
        people.turn(now.as_millis(), &mut picture);
        gates.turn(now.as_millis(), &mut picture);
        picture.drain().for_each(|event| web.hub.publish(&event));
        let deadline = Clock::now() + TURN;
        while let Ok(ask) = web.asks.recv_timeout(deadline - Clock::now().min(deadline)) {
            match ask {
                Ask::Command { command, reply } => {
                    let ms = now.as_millis();
                    let done = gates.command(ms, &command, &mut picture);
                    let done = done.unwrap_or_else(|| people.command(ms, command, &mut picture));
                    reply.send(done);
                }
                Ask::Metrics { reply } => reply.send(figures(now.as_millis(), &picture)),
                Ask::Ways { to, reply } => reply.send(people::ways(to)),
                Ask::Mail { reply, .. } => reply.send(Err(no_mail())),
                Ask::Write { reply, .. } => reply.send(Err(no_mail())),
                Ask::Reckon { reply, .. } => reply.send(Err(no_mail())),
                Ask::Originate { reply, .. } => reply.send(Err(no_mail())),
                Ask::Count { reply, .. } => reply.send(Err(no_mail())),
                Ask::Files { reply, .. } => {
                    let sentence = "a made-up feed keeps no files";
                    reply.send(Err(FileRefusal::Refused(sentence.into())));
                }
                Ask::Recording { reply, .. } => {
                    reply.send(Ok(tone(wall_at_zero)));
                }
                Ask::Snapshot { reply } => {
                    reply.send((web.hub.last(), picture.snapshot(now.as_millis())));
                }
            }
            picture.drain().for_each(|event| web.hub.publish(&event));
        }
    }
}

/// The password of the command line, which is made up as everything here.
fn access() -> Result<Option<Access>, Box<dyn std::error::Error>> {
    let Some(password) = std::env::args().nth(2) else {
        return Ok(None);
    };
    Ok(Some(Access {
        password_hash: hash_password(&password)?,
        guest: std::env::args().nth(3).as_deref() == Some("guest"),
    }))
}

/// The feed has no mail; a rehearsal has.
fn no_mail() -> MailRefusal {
    MailRefusal::Refused("this made-up feed keeps no mail; a rehearsal may".into())
}

/// Some figures in the Prometheus text format, one of each kind of line.
fn figures(now_ms: u64, picture: &Picture) -> String {
    let mut text = format!(
        "# HELP dunlin_up_seconds Time since the start.\n# TYPE dunlin_up_seconds counter\n\
         dunlin_up_seconds {}\n\
         # HELP dunlin_queue_frames Frames that wait to be sent.\n\
         # TYPE dunlin_queue_frames gauge\n",
        now_ms / 1000
    );
    for port in picture.ports() {
        let (name, queued) = (&port.name, port.queued);
        text.push_str(&format!(
            "dunlin_queue_frames{{port=\"{name}\"}} {queued}\n"
        ));
    }
    text
}
