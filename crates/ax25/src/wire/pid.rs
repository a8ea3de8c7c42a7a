//! Protocol identifiers (§3.4, Fig 3.2), carried by I and UI frames only. Those not named
//! here are other networks' or reserved.

/// ISO 8208 / X.25 packet layer.
pub const X25: u8 = 0x01;
/// TCP/IP with a compressed header (RFC 1144).
pub const COMPRESSED_TCP: u8 = 0x06;
/// TCP/IP with an uncompressed header (RFC 1144).
pub const UNCOMPRESSED_TCP: u8 = 0x07;
/// A segment of a longer data unit (§6.6).
pub const SEGMENT: u8 = 0x08;
/// Link quality protocol.
pub const LINK_QUALITY: u8 = 0xC4;
/// Internet Protocol.
pub const IP: u8 = 0xCC;
/// Address Resolution Protocol.
pub const ARP: u8 = 0xCD;
/// No layer 3: plain text between two stations.
pub const NO_LAYER_3: u8 = 0xF0;
/// Escape: the next octet, the first of the information field, says more.
pub const ESCAPE: u8 = 0xFF;
