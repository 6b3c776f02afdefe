//! How much memory the machine has and has free, a scheduler's limit on a group of processes
//! (cgroup, versions 1 and 2; Linux kernel documentation, `cgroup-v1/memory.rst`,
//! `cgroup-v2.rst`) counted in.

use std::path::{Path, PathBuf};

/// Memory, bytes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct MachineMemory {
    /// All there is, swap included.
    pub total: u64,
    /// What may be taken without taking it from another.
    pub free: u64,
}

/// This machine's; `None` where it does not say.
pub(super) fn memory() -> Option<MachineMemory> {
    memory_below(Path::new("/"))
}

/// The same for a system whose files lie below a folder.
fn memory_below(root: &Path) -> Option<MachineMemory> {
    let said = std::fs::read_to_string(root.join("proc/meminfo")).ok()?;
    let bytes = |what: &str| {
        let line = said.lines().find_map(|line| line.strip_prefix(what))?;
        let kilobytes: u64 = line.trim().strip_suffix("kB")?.trim().parse().ok()?;
        Some(kilobytes * 1024)
    };
    let machine = MachineMemory {
        total: bytes("MemTotal:")? + bytes("SwapTotal:").unwrap_or(0),
        free: bytes("MemAvailable:")?,
    };
    let least = |all: MachineMemory, group: MachineMemory| MachineMemory {
        total: all.total.min(group.total),
        free: all.free.min(group.free),
    };
    Some(groups(root).into_iter().fold(machine, least))
}

/// The groups that this process is in, itself and all above it, with a limit.
fn groups(root: &Path) -> Vec<MachineMemory> {
    let Ok(said) = std::fs::read_to_string(root.join("proc/self/cgroup")) else {
        return Vec::new();
    };
    let mut found = Vec::new();
    // number:controllers:path
    for line in said.lines() {
        let mut parts = line.splitn(3, ':').skip(1);
        let (Some(controllers), Some(path)) = (parts.next(), parts.next()) else {
            continue;
        };
        let version = match controllers {
            "" => &V2,
            _ if controllers.split(',').any(|name| name == "memory") => &V1,
            _ => continue,
        };
        let top = root.join(version.folder);
        let mut folder: PathBuf = top.join(path.trim_start_matches('/'));
        loop {
            found.extend(group(&folder, version));
            if folder == top || !folder.pop() || !folder.starts_with(&top) {
                break;
            }
        }
    }
    found
}

/// Where a version of the interface keeps what.
struct Interface {
    folder: &'static str,
    limit: &'static str,
    used: &'static str,
    /// Of what is used, files that the kernel drops when memory is asked for.
    droppable: &'static str,
}

const V1: Interface = Interface {
    folder: "sys/fs/cgroup/memory",
    limit: "memory.limit_in_bytes",
    used: "memory.usage_in_bytes",
    droppable: "total_inactive_file ",
};

const V2: Interface = Interface {
    folder: "sys/fs/cgroup",
    limit: "memory.max",
    used: "memory.current",
    droppable: "inactive_file ",
};

/// A group's limit, if it has one: version 2 writes `max` for none, version 1 a number beyond any
/// machine's memory.
fn group(folder: &Path, version: &Interface) -> Option<MachineMemory> {
    let read = |name: &str| std::fs::read_to_string(folder.join(name)).ok();
    let number = |name: &str| read(name)?.trim().parse::<u64>().ok();
    let total = number(version.limit)?;
    let stat = read("memory.stat").unwrap_or_default();
    let droppable = stat
        .lines()
        .find_map(|line| line.strip_prefix(version.droppable))
        .and_then(|bytes| bytes.trim().parse().ok());
    let used = number(version.used).unwrap_or(0);
    Some(MachineMemory {
        total,
        free: total.saturating_sub(used.saturating_sub(droppable.unwrap_or(0))),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A system of 8 GB, 6 of them free, with more files.
    fn system(files: &[(&str, &str)]) -> Option<MachineMemory> {
        let root = tempfile::tempdir().unwrap();
        let usual = "MemTotal: 8000000 kB\nMemAvailable: 6000000 kB\nSwapTotal: 0 kB\n";
        for (name, text) in [&[("proc/meminfo", usual)], files].concat() {
            let path = root.path().join(name);
            std::fs::create_dir_all(path.parent().unwrap()).unwrap();
            std::fs::write(path, text).unwrap();
        }
        memory_below(root.path())
    }

    const ALL: MachineMemory = MachineMemory {
        total: 8_000_000 * 1024,
        free: 6_000_000 * 1024,
    };

    #[test]
    fn a_machine_without_groups_has_what_it_says() {
        assert_eq!(system(&[]), Some(ALL));
        assert_eq!(memory_below(Path::new("/there/is/nothing/here")), None);
    }

    #[test]
    fn a_limit_of_version_2_counts_wherever_above_it_stands() {
        let limited = system(&[
            ("proc/self/cgroup", "0::/jobs/step\n"),
            ("sys/fs/cgroup/jobs/memory.max", "2000000000\n"),
            ("sys/fs/cgroup/jobs/memory.current", "700000000\n"),
            (
                "sys/fs/cgroup/jobs/memory.stat",
                "anon 1\ninactive_file 200000000\n",
            ),
            ("sys/fs/cgroup/jobs/step/memory.max", "max\n"),
        ]);
        let expected = MachineMemory {
            total: 2_000_000_000,
            free: 1_500_000_000,
        };
        assert_eq!(limited, Some(expected));
    }

    #[test]
    fn a_limit_of_version_1_counts_and_its_number_for_none_does_not() {
        let system = |limit: &str| {
            system(&[
                ("proc/self/cgroup", "5:cpu,cpuacct:/x\n3:memory:/job\n"),
                ("sys/fs/cgroup/memory/job/memory.limit_in_bytes", limit),
                ("sys/fs/cgroup/memory/job/memory.usage_in_bytes", "100\n"),
            ])
        };
        let expected = MachineMemory {
            total: 1_000_000,
            free: 999_900,
        };
        assert_eq!(system("1000000\n"), Some(expected));
        assert_eq!(system("9223372036854771712\n"), Some(ALL));
    }
}
