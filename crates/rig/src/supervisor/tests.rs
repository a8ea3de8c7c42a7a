//! The keeper's loop with devices that obey the test.

use std::sync::atomic::AtomicU64;
use std::sync::{Arc, Mutex, mpsc};

use super::*;
use crate::port::{EventSink, Tally};

/// Collects what the port tells.
#[derive(Default)]
struct Told(Mutex<Vec<SoundEvent>>);

impl EventSink for Told {
    fn heard(&self, _: Vec<f32>, _: Duration) -> bool {
        true
    }
    fn tell(&self, event: SoundEvent) {
        self.0.lock().expect("not poisoned").push(event);
    }
}

const BEGAN_AGO: Duration = Duration::from_millis(7);

struct DeafInput;

impl Hearing for DeafInput {
    fn look(&mut self) -> Result<(), String> {
        Ok(())
    }
}

/// Begins at the first look, plays for so many looks more, then has ended; fails at a look of
/// choice.
struct Script {
    left: u64,
    fails_after: Option<u64>,
    running: bool,
    began: bool,
    hushed: Arc<AtomicU64>,
}

impl Output for Script {
    fn play(&mut self, _: Vec<f32>) -> Result<(), String> {
        self.running = true;
        Ok(())
    }
    fn hush(&mut self) {
        self.running = false;
        self.hushed.fetch_add(1, Ordering::Relaxed);
    }
    fn look(&mut self) -> Result<Playing, String> {
        if !self.running {
            return Ok(Playing::Nothing);
        }
        if let Some(n) = self.fails_after.as_mut() {
            if *n == 0 {
                return Err("unplugged".into());
            }
            *n -= 1;
        }
        if !self.began {
            self.began = true;
            return Ok(Playing::Began(BEGAN_AGO));
        }
        if self.left == 0 {
            self.running = false;
            return Ok(Playing::Ended(2));
        }
        self.left -= 1;
        Ok(Playing::Still)
    }
}

struct Bench {
    told: Arc<Told>,
    ears: Ears,
    orders: mpsc::Sender<Order>,
    inbox: Receiver<Order>,
    hushed: Arc<AtomicU64>,
}

fn bench() -> Bench {
    let told = Arc::new(Told::default());
    let ears = Ears {
        sink: told.clone(),
        tally: Arc::new(Tally::default()),
    };
    let (orders, inbox) = mpsc::channel();
    Bench {
        told,
        ears,
        orders,
        inbox,
        hushed: Arc::default(),
    }
}

impl Bench {
    fn session(&self, left: u64, fails_after: Option<u64>) -> Session {
        let hushed = self.hushed.clone();
        let output = Script {
            left,
            fails_after,
            running: false,
            began: false,
            hushed,
        };
        let detail = String::new();
        Session {
            input: Box::new(DeafInput),
            output: Some(Box::new(output)),
            detail,
            identities: Identities::default(),
        }
    }

    fn order(&self, order: Order) {
        self.orders.send(order).expect("the inbox is open");
    }

    /// All events.
    fn told(&self) -> Vec<SoundEvent> {
        self.told.0.lock().expect("not poisoned").clone()
    }

    /// What answers transmissions: all events but that one has begun.
    fn answers(&self) -> Vec<SoundEvent> {
        let begun = |event: &SoundEvent| matches!(event, SoundEvent::Began { .. });
        self.told().into_iter().filter(|e| !begun(e)).collect()
    }
}

#[test]
fn each_transmission_is_answered_once_when_it_is_out() {
    let b = bench();
    b.order(Order::Play(vec![0.5; 10]));
    let (session, ears) = (b.session(3, None), b.ears.clone());
    let orders = b.orders.clone();
    let told = b.told.clone();
    let closer = std::thread::spawn(move || {
        while told.0.lock().expect("not poisoned").len() < 2 {
            std::thread::sleep(Duration::from_millis(5));
        }
        orders.send(Order::Close).expect("the inbox is open");
    });
    assert_eq!(run(session, &ears, &b.inbox), Ok(()));
    closer.join().expect("no panic");
    let began = SoundEvent::Began { ago: BEGAN_AGO };
    assert_eq!(b.told(), [began, SoundEvent::Played { underruns: 2 }]);
    assert_eq!(b.ears.tally.underruns.load(Ordering::Relaxed), 2);
}

#[test]
fn a_second_transmission_is_refused_while_the_first_runs() {
    let b = bench();
    b.order(Order::Play(vec![0.5; 10]));
    b.order(Order::Play(vec![0.5; 10]));
    b.order(Order::Close);
    assert_eq!(run(b.session(100, None), &b.ears, &b.inbox), Ok(()));
    let reasons: Vec<String> = b.answers().iter().map(|e| format!("{e:?}")).collect();
    assert_eq!(reasons.len(), 2);
    assert!(reasons[0].contains("still being played"), "{reasons:?}");
    assert!(reasons[1].contains("was closed"), "{reasons:?}");
    assert_eq!(
        b.hushed.load(Ordering::Relaxed),
        1,
        "closing leaves silence"
    );
}

#[test]
fn a_device_lost_in_a_transmission_answers_it_and_is_silent() {
    let b = bench();
    b.order(Order::Play(vec![0.5; 10]));
    assert_eq!(
        run(b.session(100, Some(2)), &b.ears, &b.inbox),
        Err("unplugged".into())
    );
    assert_eq!(
        b.answers(),
        [SoundEvent::NotPlayed {
            reason: "unplugged".into()
        }]
    );
    assert_eq!(b.hushed.load(Ordering::Relaxed), 1);
}

#[test]
fn a_hush_ends_the_transmission_as_not_played() {
    let b = bench();
    b.order(Order::Play(vec![0.5; 10]));
    b.order(Order::Hush);
    b.order(Order::Close);
    assert_eq!(run(b.session(100, None), &b.ears, &b.inbox), Ok(()));
    assert!(matches!(
        b.answers().as_slice(),
        [SoundEvent::NotPlayed { .. }]
    ));
}

#[test]
fn an_input_without_any_sound_counts_as_lost() {
    let b = bench();
    let mut deaf = Deafness::new(&b.ears);
    let half = LONGEST_DEAFNESS / 2;
    assert_eq!(deaf.look(&b.ears, half), Ok(()));
    b.ears.heard(vec![0.0], Duration::ZERO);
    assert_eq!(deaf.look(&b.ears, half), Ok(()));
    assert_eq!(deaf.look(&b.ears, half), Ok(()));
    assert!(
        deaf.look(&b.ears, half)
            .expect_err("deaf")
            .contains("no sound")
    );
}

#[test]
fn what_is_asked_of_a_lost_port_is_answered_with_the_reason() {
    let b = bench();
    b.order(Order::Play(vec![0.5; 10]));
    b.order(Order::Close);
    assert!(pause(RETRY, &b.ears, &b.inbox, "unplugged"));
    assert_eq!(
        b.answers(),
        [SoundEvent::NotPlayed {
            reason: "unplugged".into()
        }]
    );
}
