//! Two sides of a talk that carries files and typed lines, over a link that may drop at any octet; hostile and
//! plain partners; figures.

mod any;
mod cuts;
mod dialogue;
mod hostile;
mod mixed;
mod page;
mod station;
