//! The web side over real sockets: who gets in, what commands answer, and that the stream
//! of events has no gap and no doubles, whatever happens to the connection.

mod client;
mod door;
mod doors;
mod events;
mod files;
mod journal;
mod mail;
mod stand_in;
