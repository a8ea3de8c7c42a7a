//! The files that are taken over talks: `[files]`.

use dunlin_station::FileRule;

use crate::fault::Faults;
use crate::section::Section;
use crate::settings;

/// Reads which files are taken. `None` = something in it is wrong.
pub(crate) fn read(section: &mut Section<'_>, faults: &mut Faults<'_>) -> Option<FileRule> {
    let mut table = section.table_or_empty("files", "[files]", faults);
    let largest = table.take(&settings::LARGEST_FILE, faults);
    let only_from = table.take(&settings::FILES_FROM, faults);
    let room = table.take(&settings::FILES_MB, faults);
    table.finish(faults);
    Some(FileRule {
        largest: largest? as u64,
        only_from: only_from?.into_iter().map(|call| call.value).collect(),
        room: (room? * 1e6) as u64,
    })
}
