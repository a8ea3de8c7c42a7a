//! Where an export goes: standard output, or a file that is never half of one.

use std::ffi::OsString;
use std::fs::{self, File};
use std::io::{self, BufWriter, IsTerminal, StdoutLock, Write};
use std::path::{Path, PathBuf};

use anyhow::{Context, Result, bail};

/// An export that is being written.
pub struct Output {
    way: Way,
}

enum Way {
    Standard(BufWriter<StdoutLock<'static>>),
    File(Option<Unfinished>),
}

/// A file under another name beside its own, until it is whole.
struct Unfinished {
    file: BufWriter<File>,
    unfinished: PathBuf,
    name: PathBuf,
}

impl Output {
    /// Begins an export to a file, or else to standard output.
    pub fn begin(file: Option<&Path>) -> Result<Output> {
        let Some(name) = file.filter(|name| *name != Path::new("-")) else {
            let way = Way::Standard(BufWriter::new(io::stdout().lock()));
            return Ok(Output { way });
        };
        if name.is_dir() {
            bail!(
                "{} is a folder; give the name of a file in it",
                name.display()
            );
        }
        let mut other = OsString::from(name);
        other.push(".unfinished");
        let unfinished = PathBuf::from(other);
        let file = File::create(&unfinished).with_context(|| {
            format!(
                "{} cannot be written; check that its folder exists and may be written",
                unfinished.display()
            )
        })?;
        let way = Way::File(Some(Unfinished {
            file: BufWriter::new(file),
            unfinished,
            name: name.to_owned(),
        }));
        Ok(Output { way })
    }

    /// Gives the file its name, once everything is on the disk.
    pub fn end(mut self) -> Result<()> {
        let parts = match &mut self.way {
            Way::Standard(out) => return Ok(out.flush()?),
            Way::File(parts) => parts,
        };
        let Some(parts) = parts.as_mut() else {
            return Ok(());
        };
        let ended = parts
            .file
            .flush()
            .and_then(|()| parts.file.get_ref().sync_all());
        let ended = ended.and_then(|()| fs::rename(&parts.unfinished, &parts.name));
        ended
            .with_context(|| format!("{} could not be written to its end", parts.name.display()))?;
        if let Way::File(parts) = &mut self.way {
            *parts = None; // Nothing is left to remove.
        }
        Ok(())
    }
}

impl Write for Output {
    fn write(&mut self, octets: &[u8]) -> io::Result<usize> {
        match &mut self.way {
            Way::Standard(out) => out.write(octets),
            Way::File(Some(parts)) => parts.file.write(octets),
            Way::File(None) => Err(io::ErrorKind::NotConnected.into()),
        }
    }

    fn flush(&mut self) -> io::Result<()> {
        match &mut self.way {
            Way::Standard(out) => out.flush(),
            Way::File(Some(parts)) => parts.file.flush(),
            Way::File(None) => Ok(()),
        }
    }
}

impl Drop for Output {
    /// Half an export is worth nothing.
    fn drop(&mut self) {
        if let Way::File(Some(parts)) = &self.way {
            let _ = fs::remove_file(&parts.unfinished);
        }
    }
}

/// Octets that are no text confuse a terminal.
pub fn not_to_a_terminal(file: Option<&Path>) -> Result<()> {
    let standard = file.is_none_or(|name| name == Path::new("-"));
    if standard && io::stdout().is_terminal() {
        bail!("a capture is no text for a terminal; give a file with --output, or a pipe");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_appears_whole_or_not_at_all() {
        let dir = tempfile::tempdir().expect("a folder");
        let name = dir.path().join("a.csv");
        fs::write(&name, "before").expect("written");
        let mut output = Output::begin(Some(&name)).expect("begins");
        output.write_all(b"half").expect("takes it");
        assert_eq!(fs::read(&name).expect("there"), b"before");
        drop(output);
        assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 1);
        let mut output = Output::begin(Some(&name)).expect("begins");
        output.write_all(b"whole").expect("takes it");
        output.end().expect("ends");
        assert_eq!(fs::read(&name).expect("there"), b"whole");
        assert_eq!(fs::read_dir(dir.path()).expect("a folder").count(), 1);
        assert!(Output::begin(Some(dir.path())).is_err(), "a folder");
    }
}
