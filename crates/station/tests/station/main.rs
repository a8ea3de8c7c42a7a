//! Whole stations in virtual time, joined by wires or played to.

mod access;
mod again;
mod alarms;
mod bad_input;
mod cable;
mod clients;
mod controllers;
mod desk;
mod endings;
mod faults;
mod following;
mod frames;
mod gate;
mod hardship;
mod hearing;
mod identification;
mod lines;
mod many;
mod mishaps;
mod peer;
mod talks;
mod test_signals;
mod ways;
mod wire;
