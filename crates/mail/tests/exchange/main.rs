//! Two sides of an exchange, joined by a link that may drop at any octet; hostile partners; figures.

mod airtime;
mod cuts;
mod dialogue;
mod hostile;
mod page;
mod station;
