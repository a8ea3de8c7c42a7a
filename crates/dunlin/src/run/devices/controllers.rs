//! Controllers of the plan: ports that name the same link share one controller.

use std::path::PathBuf;
use std::time::Duration;

use anyhow::{Result, bail};
use dunlin_plan::{ControllerLink, ControllerPlan};
use dunlin_rig::kiss::{ControllerPort, ControllerSettings, FlowControl, Link};
use dunlin_station::PortConfig;

/// The controllers found so far.
#[derive(Debug, Default)]
pub(super) struct Controllers(Vec<ControllerSettings>);

impl Controllers {
    /// Adds a port of the plan; returns which controller it is at.
    pub(super) fn add(&mut self, port: &PortConfig, plan: &ControllerPlan) -> Result<usize> {
        let link = link(&plan.link);
        // Where a line of the radio tells the station of the channel it has drawn already.
        let (persistence, slot_time) = match port.gate.sense.external {
            true => (1.0, Duration::from_millis(10)),
            false => (port.timing.persistence, port.timing.slot_time),
        };
        let planned = ControllerPort {
            number: plan.number,
            key_up_delay: port.timing.key_up_delay,
            persistence,
            slot_time,
            tail: plan.send_tail.then_some(port.timing.tail),
            full_duplex: plan.full_duplex,
        };
        let same = |c: &ControllerSettings| same_place(&c.link, &link);
        if let Some(index) = self.0.iter().position(same) {
            let controller = &mut self.0[index];
            if controller.link != link || controller.acknowledged != plan.acknowledged {
                bail!(
                    "port {} and another port are at one controller, {}, but speak of it \
                     differently; give both the same speed, flow control and acknowledgement",
                    port.name,
                    controller.link
                );
            }
            controller.ports.push(planned);
            return Ok(index);
        }
        self.0.push(ControllerSettings {
            link,
            ports: vec![planned],
            acknowledged: plan.acknowledged,
        });
        Ok(self.0.len() - 1)
    }

    pub(super) fn into_settings(self) -> Vec<ControllerSettings> {
        self.0
    }
}

fn link(planned: &ControllerLink) -> Link {
    match planned {
        ControllerLink::Serial {
            device,
            speed_baud,
            flow_control,
        } => Link::Serial {
            device: PathBuf::from(device),
            baud: *speed_baud,
            flow_control: match flow_control {
                true => FlowControl::RtsCts,
                false => FlowControl::Off,
            },
        },
        ControllerLink::Tcp { address } => Link::Tcp {
            host_port: address.clone(),
        },
    }
}

fn same_place(a: &Link, b: &Link) -> bool {
    match (a, b) {
        (Link::Serial { device: a, .. }, Link::Serial { device: b, .. }) => a == b,
        (a, b) => a == b,
    }
}
