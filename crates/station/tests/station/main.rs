//! Whole stations in virtual time, joined by wires or played to.

mod alarms;
mod cable;
mod clients;
mod controllers;
mod desk;
mod faults;
mod following;
mod gate;
mod hardship;
mod hearing;
mod identification;
mod lines;
mod mishaps;
mod talks;
mod test_signals;
mod wire;
