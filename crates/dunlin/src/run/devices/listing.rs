//! The sound devices that exist now, for people.

use dunlin_rig::{DeviceInfo, Listing, Way, lasting_name, list_devices};

/// A table of them.
pub(in crate::run) fn listing() -> String {
    let listing = list_devices();
    let mut text = String::new();
    if let Some(reason) = &listing.no_server {
        text.push_str(&format!("No devices of a sound server: {reason}.\n"));
    }
    if let Some(reason) = &listing.forbidden {
        text.push_str(&format!("Devices are missing here: {reason}.\n"));
    }
    for (title, wanted) in [("Inputs", Way::Hear), ("Outputs", Way::Play)] {
        text.push_str(&format!("{title}, as they are named in [port.sound]:\n"));
        let mut any = false;
        for device in &listing.devices {
            if (wanted == Way::Hear && device.hears) || (wanted == Way::Play && device.plays) {
                any = true;
                text.push_str(&line(&listing, device, wanted));
            }
        }
        if !any {
            text.push_str("  none\n");
        }
    }
    text.truncate(text.trim_end().len());
    text
}

/// One device: its lasting name if it has one, else its name at its host.
fn line(listing: &Listing, device: &DeviceInfo, way: Way) -> String {
    let name = device.plan_name();
    let Some(lasting) = lasting_name(listing, device, way) else {
        return format!("  {name:<40} {}\n", device.description);
    };
    let mut text = format!("  {lasting:<40} {}\n", device.description);
    text.push_str(&format!(
        "  {:<40} is another name of it\n",
        format!("  {name}")
    ));
    text
}
