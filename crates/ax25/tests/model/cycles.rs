//! The search for exchanges that could go on for ever.

use std::collections::BTreeMap;
use std::collections::hash_map::DefaultHasher;
use std::hash::{Hash, Hasher};

use stateright::Model;

use crate::{Action, Pair, World};

/// A cycle is an exchange that can go on for ever and changes nothing, as all that the person
/// does and each text delivered is in the state. Every state is looked at from which a channel
/// without further losses may have to go on. Depth first, with the states on the way marked.
pub fn search_for_cycles(world: &World) {
    let key = |pair: &Pair| {
        let mut hasher = DefaultHasher::new();
        pair.hash(&mut hasher);
        hasher.finish()
    };
    let options = |pair: &Pair| {
        let mut actions = Vec::new();
        world.actions(pair, &mut actions);
        actions.retain(|action| *action != Action::Lose);
        actions
    };
    // Whether a state is on the way to where the search is, or done.
    let mut on_the_way: BTreeMap<u64, bool> = BTreeMap::new();
    let mut starts = vec![world.start()];
    while let Some(start) = starts.pop() {
        if on_the_way.contains_key(&key(&start)) {
            continue;
        }
        on_the_way.insert(key(&start), true);
        let mut way = vec![(options(&start), None, start)];
        while let Some((actions, _, pair)) = way.last_mut() {
            let Some(action) = actions.pop() else {
                on_the_way.insert(key(pair), false);
                if pair.air.is_some() {
                    let mut lost = pair.clone();
                    world.act(&mut lost, Action::Lose);
                    starts.push(lost);
                }
                way.pop();
                continue;
            };
            let mut next = pair.clone();
            world.act(&mut next, action);
            let known = key(&next);
            match on_the_way.get(&known) {
                Some(false) => {}
                Some(true) => {
                    let begin = way.iter().position(|(.., pair)| key(pair) == known);
                    let cycle = way[begin.unwrap_or(0)..].iter().skip(1);
                    let steps: Vec<_> = cycle.filter_map(|(_, by, _)| *by).collect();
                    panic!("for ever: {steps:?}, {action:?}, from {next:#?}");
                }
                None => {
                    on_the_way.insert(known, true);
                    way.push((options(&next), Some(action), next));
                }
            }
        }
    }
}
