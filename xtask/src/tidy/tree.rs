//! The files that the rules look at: everything that git tracks or would
//! track, as text.

use anyhow::{Context, Result, bail};
use std::path::Path;
use std::process::Command;

/// One text file of the repository.
#[derive(Debug)]
pub struct File {
    /// Path from the top, with forward slashes.
    pub path: String,
    /// The whole text; lossy where the file is not UTF-8.
    pub text: String,
}

impl File {
    /// The part of the name after the last dot, or "" if there is none.
    pub fn extension(&self) -> &str {
        let name = self.path.rsplit('/').next().unwrap_or_default();
        name.rsplit_once('.').map_or("", |(_, extension)| extension)
    }

    /// True for code of others that is kept here unchanged.
    pub fn is_vendored(&self) -> bool {
        self.path.split('/').any(|part| part == "vendor")
    }

    /// True for files that a tool writes: lock files, recorded snapshots and
    /// recordings with their tables.
    pub fn is_generated(&self) -> bool {
        self.path.ends_with(".lock")
            || self.path.ends_with("package-lock.json")
            || self.path.ends_with(".snap")
            || self.path.ends_with(".proptest-regressions")
    }
}

/// All files that the rules look at.
#[derive(Debug)]
pub struct Tree {
    files: Vec<File>,
    others: Vec<String>,
}

impl Tree {
    /// Reads the repository in which this tool was built.
    pub fn of_this_repository() -> Result<Tree> {
        let top = Path::new(env!("CARGO_MANIFEST_DIR"))
            .parent()
            .context("xtask has no folder above it")?;
        let listing = Command::new("git")
            .args(["ls-files", "-z", "--cached", "--others"])
            .arg("--exclude-standard")
            .current_dir(top)
            .output()
            .context("git ls-files did not start")?;
        if !listing.status.success() {
            bail!(
                "git ls-files failed: {}",
                String::from_utf8_lossy(&listing.stderr)
            );
        }
        let names = String::from_utf8(listing.stdout).context("a file name is not UTF-8")?;
        let mut tree = Tree {
            files: Vec::new(),
            others: Vec::new(),
        };
        for path in names.split('\0').filter(|path| !path.is_empty()) {
            tree.read(top, path)?;
        }
        Ok(tree)
    }

    fn read(&mut self, top: &Path, path: &str) -> Result<()> {
        let full = top.join(path);
        if !full.is_file() {
            return Ok(()); // deleted in the work tree, not yet in the index
        }
        let octets = std::fs::read(&full).with_context(|| format!("cannot read {path}"))?;
        if octets.contains(&0) {
            self.others.push(path.to_owned());
        } else {
            self.files.push(File {
                path: path.to_owned(),
                text: String::from_utf8_lossy(&octets).into_owned(),
            });
        }
        Ok(())
    }

    /// A tree made up for a test.
    #[cfg(test)]
    pub fn of(files: &[(&str, &str)]) -> Tree {
        let files = files
            .iter()
            .map(|(path, text)| File {
                path: (*path).to_owned(),
                text: (*text).to_owned(),
            })
            .collect();
        Tree {
            files,
            others: Vec::new(),
        }
    }

    /// Number of files, text or not.
    pub fn len(&self) -> usize {
        self.files.len() + self.others.len()
    }

    /// The text files.
    pub fn files(&self) -> impl Iterator<Item = &File> {
        self.files.iter()
    }

    /// Text files with one of these extensions that were written here by hand.
    pub fn own<'a>(&'a self, extensions: &'a [&str]) -> impl Iterator<Item = &'a File> {
        self.files
            .iter()
            .filter(|file| !file.is_vendored() && !file.is_generated())
            .filter(|file| extensions.contains(&file.extension()))
    }

    /// The file at exactly this path.
    pub fn get(&self, path: &str) -> Option<&File> {
        self.files.iter().find(|file| file.path == path)
    }

    /// True if `path` is a file of the tree or a folder that holds one.
    pub fn has(&self, path: &str) -> bool {
        let folder = format!("{}/", path.trim_end_matches('/'));
        let mut names = self.files.iter().map(|file| &file.path).chain(&self.others);
        names.any(|name| name == path || name.starts_with(&folder))
    }
}
