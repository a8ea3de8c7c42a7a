//! Whole stations in virtual time, joined by wires or played to.

mod hardship;
mod mishaps;
mod talks;
mod wire;
