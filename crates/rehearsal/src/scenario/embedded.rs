//! The scenarios that come with the program.

/// A scenario file inside the program.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Embedded {
    /// The name by which it is asked for.
    pub name: &'static str,
    /// The file as it is.
    pub text: &'static str,
}

/// All of them; the first is used if none is asked for.
pub const EMBEDDED: [Embedded; 2] = [
    Embedded {
        name: "marrow-isles",
        text: include_str!("../../../../scenarios/marrow-isles.toml"),
    },
    Embedded {
        name: "hidden-pair",
        text: include_str!("../../../../scenarios/hidden-pair.toml"),
    },
];

impl Embedded {
    /// The scenario called `name`.
    pub fn called(name: &str) -> Option<Embedded> {
        EMBEDDED.into_iter().find(|e| e.name == name)
    }
}
