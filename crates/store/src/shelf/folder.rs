//! One folder of files, without folders in it.

use std::fs::{self, File, OpenOptions};
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::path::PathBuf;

use dunlin_mail::file::MOST_NAME;

/// Names that are tried for a file whose own is taken, at most.
const MOST_NAMES: u32 = 1000;
/// Octets after the last dot of a name that are kept when the rest is cut, at most.
const LONGEST_KIND: usize = 16;
/// Octets of a file that holds a name, at most.
const SHORT: u64 = 256;

#[derive(Debug)]
pub(super) struct Folder {
    place: PathBuf,
}

impl Folder {
    pub(super) fn open(place: PathBuf) -> io::Result<Folder> {
        fs::create_dir_all(&place)?;
        Ok(Folder { place })
    }

    pub(super) fn path(&self, name: &str) -> PathBuf {
        self.place.join(name)
    }

    /// Octets of a file; `None` = it is not there.
    pub(super) fn length(&self, name: &str) -> io::Result<Option<u64>> {
        match fs::symlink_metadata(self.path(name)) {
            Ok(about) => Ok(about.is_file().then_some(about.len())),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
            Err(error) => Err(error),
        }
    }

    /// All files, with their octets.
    pub(super) fn files(&self) -> io::Result<Vec<(String, u64)>> {
        let mut files = Vec::new();
        for entry in fs::read_dir(&self.place)? {
            let entry = entry?;
            let about = entry.metadata()?;
            if let (true, Ok(name)) = (about.is_file(), entry.file_name().into_string()) {
                files.push((name, about.len()));
            }
        }
        files.sort();
        Ok(files)
    }

    /// As [`Folder::files`], by the time of the last change.
    pub(super) fn oldest_first(&self) -> io::Result<Vec<(String, u64)>> {
        let mut files = self.files()?;
        files.sort_by_cached_key(|(name, _)| {
            fs::metadata(self.path(name))
                .and_then(|about| about.modified())
                .ok()
        });
        Ok(files)
    }

    /// Removes a file, if it is there.
    pub(super) fn remove(&self, name: &str) -> io::Result<()> {
        match fs::remove_file(self.path(name)) {
            Err(error) if error.kind() != io::ErrorKind::NotFound => Err(error),
            _ => Ok(()),
        }
    }

    /// At most so many octets from one on.
    pub(super) fn read(&self, name: &str, from: u64, count: usize) -> io::Result<Vec<u8>> {
        let mut file = File::open(self.path(name))?;
        file.seek(SeekFrom::Start(from))?;
        let mut octets = Vec::new();
        file.take(count as u64).read_to_end(&mut octets)?;
        Ok(octets)
    }

    /// A file that holds a name; `None` = it is not there, or holds none.
    pub(super) fn read_short(&self, name: &str) -> io::Result<Option<String>> {
        match self.length(name)? {
            Some(length) if length <= SHORT => {
                let octets = self.read(name, 0, SHORT as usize)?;
                Ok(String::from_utf8(octets).ok())
            }
            _ => Ok(None),
        }
    }

    /// Adds octets to a file that ends at `from`.
    pub(super) fn append(&self, name: &str, from: u64, octets: &[u8]) -> io::Result<()> {
        let path = self.path(name);
        let mut file = OpenOptions::new().create(true).append(true).open(path)?;
        if file.metadata()?.len() != from {
            return Err(io::Error::other("it does not follow what is there"));
        }
        let written = file.write_all(octets);
        if written.is_err() {
            // What is there must end where it is said to end.
            let _ = file.set_len(from);
        }
        written
    }

    /// A file with these octets, safe from loss of power; the one before stays whole until then.
    pub(super) fn replace(&self, name: &str, octets: &[u8]) -> io::Result<()> {
        let new = self.path(&format!("{name}.new"));
        let mut file = File::create(&new)?;
        file.write_all(octets)?;
        file.sync_all()?;
        fs::rename(new, self.path(name))?;
        self.sync_folder()
    }

    /// What is there of a file is safe from loss of power from now on.
    pub(super) fn sync(&self, name: &str) -> io::Result<()> {
        match OpenOptions::new().append(true).open(self.path(name)) {
            Ok(file) => file.sync_all(),
            Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(()),
            Err(error) => Err(error),
        }
    }

    /// So are the names in it.
    pub(super) fn sync_folder(&self) -> io::Result<()> {
        match cfg!(unix) {
            true => File::open(&self.place)?.sync_all(),
            false => Ok(()), // Other systems open no folder.
        }
    }

    /// Makes an empty file under this name, or one like it: nothing that is there is ever overwritten.
    pub(super) fn reserve(&self, name: &str) -> io::Result<String> {
        for number in 1..=MOST_NAMES {
            let name = numbered(name, number);
            let mut options = OpenOptions::new();
            match options.write(true).create_new(true).open(self.path(&name)) {
                Ok(_) => return Ok(name),
                Err(error) if error.kind() == io::ErrorKind::AlreadyExists => {}
                Err(error) => return Err(error),
            }
        }
        Err(io::Error::other("too many files have a name like this"))
    }
}

/// `map.png`, `map-2.png`, `map-3.png` …, cut so that it is still a name of a file.
fn numbered(name: &str, number: u32) -> String {
    if number == 1 {
        return name.to_owned();
    }
    let (stem, kind) = match name.rsplit_once('.') {
        Some((stem, kind)) if kind.len() <= LONGEST_KIND => (stem, format!(".{kind}")),
        _ => (name, String::new()),
    };
    let end = format!("-{number}{kind}");
    let room = stem.len().min(MOST_NAME - end.len());
    let cut = (0..=room)
        .rev()
        .find(|&at| stem.is_char_boundary(at))
        .unwrap_or(0);
    format!("{}{end}", &stem[..cut])
}
