//! What the reading process gives up: memory beyond what reading needs, writing, files that are
//! none of its business, other programs, other machines. What a system cannot take away it keeps;
//! reading never fails for that.

#[cfg(unix)]
use rustix::process::{Resource, Rlimit, getrlimit, setrlimit};
use std::path::PathBuf;
use std::sync::atomic::{AtomicU64, Ordering};

/// What libraries, blocks, strips and statistics take at most before any working grid: about
/// 850 MB for the widest blocks that are read.
const BASE_BYTES: u64 = 1 << 30;

/// Beside the stack of a thread, what its own store of memory holds back.
const BYTES_PER_THREAD: u64 = 16 << 20;

/// Samples that are looked at before anything is read, and what is known of a file.
const BYTES_PER_FILE: u64 = 64 << 10;

/// Some formats are held as they are in the file, up to this size.
const MOST_FILE_BYTES: u64 = 4 << 30;

/// The memory that the process may take.
pub(super) struct MemoryLimit {
    most: AtomicU64,
}

impl MemoryLimit {
    /// For a number of files and threads.
    pub fn of(files: &[PathBuf], threads: Option<usize>) -> MemoryLimit {
        let known = std::thread::available_parallelism().map_or(1, usize::from);
        let threads = threads.unwrap_or(known) as u64;
        let lengths = files.iter().filter_map(|file| file.metadata().ok());
        let length: u64 = lengths.map(|known| known.len()).sum();
        let most = BASE_BYTES
            + threads * BYTES_PER_THREAD
            + files.len() as u64 * BYTES_PER_FILE
            + length.min(MOST_FILE_BYTES);
        MemoryLimit { most: most.into() }
    }

    /// Refuses what goes beyond.
    pub fn limit(&self) {
        set(Some(self.most.load(Ordering::Relaxed)));
    }

    /// Allows so many bytes more.
    pub fn add(&self, bytes: u64) {
        self.most.fetch_add(bytes, Ordering::Relaxed);
        self.limit();
    }

    /// Allows what the system does.
    pub fn lift(&self) {
        set(None);
    }
}

/// Data, not addresses: libraries and the stores of threads reserve more of those than they use.
#[cfg(unix)]
fn set(bytes: Option<u64>) {
    let maximum = getrlimit(Resource::Data).maximum;
    let current = match (bytes, maximum) {
        (Some(bytes), Some(maximum)) => Some(bytes.min(maximum)),
        (bytes, maximum) => bytes.or(maximum),
    };
    // Where there is no such limit, libraries may take what they like.
    let _ = setrlimit(Resource::Data, Rlimit { current, maximum });
}

/// There it takes unsafe code.
#[cfg(not(unix))]
fn set(_: Option<u64>) {}

/// Whether addresses, on which every thread lays a large hand, are limited from outside.
#[cfg(unix)]
pub(super) fn is_short() -> bool {
    getrlimit(Resource::As).current.is_some()
}

/// Windows does not count them.
#[cfg(not(unix))]
pub(super) fn is_short() -> bool {
    false
}

/// No process is left behind when the program ends, however it ends.
pub(super) fn end_with_parent() {
    #[cfg(target_os = "linux")]
    {
        use rustix::process::{Signal, set_parent_process_death_signal};
        // Elsewhere, and where it fails, the closing of standard input says the same.
        let _ = set_parent_process_death_signal(Some(Signal::KILL));
    }
    // A crash is no news; the state of memory would fill a disk.
    #[cfg(unix)]
    {
        let none = Rlimit {
            current: Some(0),
            maximum: Some(0),
        };
        let _ = setrlimit(Resource::Core, none);
    }
}

/// No writing, no network, no other programs, no files but in or below the folders of these and of
/// the system's libraries, from now on. To be called before there are threads.
pub(super) fn give_up_the_rest(files: &[PathBuf]) {
    #[cfg(target_os = "linux")]
    {
        // Each of them alone is most of it; what a kernel has not, it does not do.
        let _ = reading::limit_to(files);
        #[cfg(any(
            target_arch = "x86_64",
            target_arch = "aarch64",
            target_arch = "riscv64"
        ))]
        let _ = system_calls::forbid();
    }
    #[cfg(not(target_os = "linux"))]
    let _ = files;
}

#[cfg(target_os = "linux")]
mod reading {
    use super::super::super::sources::Subdataset;
    use landlock::{
        ABI, Access, AccessFs, AccessNet, Ruleset, RulesetAttr, RulesetCreatedAttr, Scope,
        path_beneath_rules,
    };
    use std::collections::BTreeSet;
    use std::fs::File;
    use std::io::{Read, Seek, SeekFrom};
    use std::path::{Path, PathBuf};

    /// Where libraries, what they know of coordinate systems, and the kernel's own files lie.
    const SYSTEM: &[&str] = &["/usr", "/lib", "/lib64", "/proc", "/sys", "/dev"];

    /// Files may be read and folders listed there; nothing may be written, run or spoken to.
    pub fn limit_to(files: &[PathBuf]) -> Option<()> {
        let abi = ABI::V6;
        let system = SYSTEM.iter().map(PathBuf::from);
        // Thousands of tiles lie in a few folders.
        let folders = system.chain(of_libraries()).chain(of_files(files));
        let folders: BTreeSet<PathBuf> = folders.collect();
        Ruleset::default()
            .handle_access(AccessFs::from_all(abi))
            .ok()?
            .handle_access(AccessNet::from_all(abi))
            .ok()?
            .scope(Scope::from_all(abi))
            .ok()?
            .create()
            .ok()?
            // What is not there is passed over.
            .add_rules(path_beneath_rules(
                folders,
                AccessFs::ReadFile | AccessFs::ReadDir,
            ))
            .ok()?
            .restrict_self()
            .ok()?;
        Some(())
    }

    /// The folders of files and, for symbolic links, of what they lead to; of HDF5 no more than
    /// the file, since one of that kind may keep its cells in any other.
    fn of_files(files: &[PathBuf]) -> Vec<PathBuf> {
        let folders = files.iter().flat_map(|name| {
            let text = name.to_string_lossy();
            let part = Subdataset::of(&text).map(|part| PathBuf::from(part.file));
            let file = part.unwrap_or_else(|| name.clone());
            let real = std::fs::canonicalize(&file).ok();
            let named = std::path::absolute(&file).ok();
            let alone = is_hdf5(&file);
            let both = real.into_iter().chain(named);
            both.filter_map(move |file| match alone {
                true => Some(file),
                false => file.parent().map(Path::to_owned),
            })
        });
        folders.collect()
    }

    /// By its mark, which stands at the beginning, or at 512 or twice as far, and so on ("HDF5 file
    /// format specification", The HDF Group).
    fn is_hdf5(path: &Path) -> bool {
        // To open a pipe is to wait for whoever writes into it.
        let Some(known) = path.metadata().ok().filter(|known| known.is_file()) else {
            return false;
        };
        let Ok(mut file) = File::open(path) else {
            return false;
        };
        let length = known.len();
        let starts = std::iter::successors(Some(512u64), |at| at.checked_mul(2));
        std::iter::once(0)
            .chain(starts)
            .take_while(|at| *at < length)
            .any(|at| {
                let mut mark = [0; 8];
                file.seek(SeekFrom::Start(at)).is_ok()
                    && file.read_exact(&mut mark).is_ok()
                    && mark == *b"\x89HDF\r\n\x1a\n"
            })
    }

    /// The folders of the libraries in use, and those of their data beside them: not everyone
    /// has them where the system keeps its own.
    fn of_libraries() -> Vec<PathBuf> {
        let maps = std::fs::read_to_string("/proc/self/maps").unwrap_or_default();
        let names = maps.lines().filter_map(|line| line.split_once('/'));
        let libraries = names
            .map(|(_, name)| PathBuf::from(format!("/{name}")))
            .filter(|path| path.to_string_lossy().contains(".so"));
        let folders = libraries.filter_map(|path| path.parent().map(Path::to_owned));
        let with_data = folders.flat_map(|folder| {
            let data = folder.parent().map(|above| above.join("share"));
            std::iter::once(folder).chain(data)
        });
        with_data.collect()
    }
}

#[cfg(all(
    target_os = "linux",
    any(
        target_arch = "x86_64",
        target_arch = "aarch64",
        target_arch = "riscv64"
    )
))]
mod system_calls {
    use seccompiler::{
        BpfProgram, SeccompAction, SeccompCmpArgLen, SeccompCmpOp, SeccompCondition, SeccompFilter,
        SeccompRule,
    };
    use std::collections::BTreeMap;

    /// Calls of the system that reading never makes: those to other machines and programs, and
    /// those that change what files are called and who may use them.
    const NEVER: &[i64] = &[
        libc::SYS_socket,
        libc::SYS_socketpair,
        libc::SYS_connect,
        libc::SYS_bind,
        libc::SYS_listen,
        libc::SYS_sendto,
        libc::SYS_sendmsg,
        libc::SYS_execve,
        libc::SYS_execveat,
        libc::SYS_ptrace,
        libc::SYS_process_vm_readv,
        libc::SYS_process_vm_writev,
        // It does all of these by itself.
        libc::SYS_io_uring_setup,
        libc::SYS_unlinkat,
        libc::SYS_renameat2,
        libc::SYS_mkdirat,
        libc::SYS_mknodat,
        libc::SYS_linkat,
        libc::SYS_symlinkat,
        libc::SYS_fchmodat,
        libc::SYS_fchownat,
        libc::SYS_utimensat,
        libc::SYS_truncate,
        libc::SYS_setxattr,
        libc::SYS_mount,
        libc::SYS_bpf,
        libc::SYS_keyctl,
    ];

    /// Older calls that do the same, which newer machines do not have.
    #[cfg(target_arch = "x86_64")]
    const NEVER_OLD: &[i64] = &[
        libc::SYS_unlink,
        libc::SYS_rename,
        libc::SYS_renameat,
        libc::SYS_mkdir,
        libc::SYS_rmdir,
        libc::SYS_mknod,
        libc::SYS_link,
        libc::SYS_symlink,
        libc::SYS_chmod,
        libc::SYS_chown,
        libc::SYS_creat,
        libc::SYS_fork,
        libc::SYS_vfork,
    ];
    #[cfg(not(target_arch = "x86_64"))]
    const NEVER_OLD: &[i64] = &[];

    /// Forbids them, and to open files for anything but reading.
    pub fn forbid() -> Option<()> {
        let never = NEVER.iter().chain(NEVER_OLD);
        let mut rules: BTreeMap<i64, Vec<SeccompRule>> =
            never.map(|&call| (call, Vec::new())).collect();
        // Opening for anything but reading: writing, reading and writing, making, emptying.
        let flags = [
            (libc::O_ACCMODE, libc::O_WRONLY),
            (libc::O_ACCMODE, libc::O_RDWR),
            (libc::O_CREAT, libc::O_CREAT),
            (libc::O_TRUNC, libc::O_TRUNC),
        ];
        let writing = |argument: u8| -> Option<Vec<SeccompRule>> {
            let rule = |&(mask, value): &(i32, i32)| {
                let masked = SeccompCmpOp::MaskedEq(mask as u64);
                let length = SeccompCmpArgLen::Dword;
                let condition = SeccompCondition::new(argument, length, masked, value as u64);
                SeccompRule::new(vec![condition.ok()?]).ok()
            };
            flags.iter().map(rule).collect()
        };
        rules.insert(libc::SYS_openat, writing(2)?);
        #[cfg(target_arch = "x86_64")]
        rules.insert(libc::SYS_open, writing(1)?);
        // What it is asked cannot be looked into; systems fall back on the older call.
        let unknown = [(libc::SYS_openat2, Vec::new())].into_iter().collect();
        for (rules, error) in [(rules, libc::EACCES), (unknown, libc::ENOSYS)] {
            let filter: BpfProgram = SeccompFilter::new(
                rules,
                SeccompAction::Allow,
                SeccompAction::Errno(error as u32),
                std::env::consts::ARCH.try_into().ok()?,
            )
            .ok()?
            .try_into()
            .ok()?;
            seccompiler::apply_filter(&filter).ok()?;
        }
        Some(())
    }
}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;
    use std::fs::{File, OpenOptions};
    use std::net::{TcpStream, UdpSocket};

    /// Set in a second run of the test, which gives up everything before it tries.
    const FOLDER: &str = "GLOBEWRIGHT_TEST_CONFINED";

    #[test]
    fn nothing_can_be_written_called_or_run_afterwards() {
        let Some(folder) = std::env::var_os(FOLDER).map(PathBuf::from) else {
            return start_again();
        };
        // A thread of its own is all that is confined: the test must be able to say what it found.
        let tried = move || {
            let inside = OpenOptions::new()
                .read(true)
                .write(true)
                .open(folder.join("there"))
                .unwrap();
            give_up_the_rest(&[folder.join("there")]);
            let mut got = Vec::new();
            let mut note = |what: &str, done: bool| {
                if done {
                    got.push(what.to_owned());
                }
            };
            let elsewhere = folder.parent().unwrap().join("elsewhere");
            note("a file elsewhere", std::fs::read(elsewhere).is_ok());
            note("a new file", File::create(folder.join("new")).is_ok());
            let there = folder.join("there");
            let written = OpenOptions::new().write(true).open(&there);
            note("a file to write", written.is_ok());
            let added = OpenOptions::new().append(true).open(&there);
            note("a file to add to", added.is_ok());
            note(
                "another name",
                std::fs::rename(&there, folder.join("b")).is_ok(),
            );
            note("a file removed", std::fs::remove_file(&there).is_ok());
            note("a folder", std::fs::create_dir(folder.join("c")).is_ok());
            note(
                "a link",
                std::os::unix::fs::symlink("there", folder.join("d")).is_ok(),
            );
            let listener = TcpStream::connect("127.0.0.1:9").err().map(|e| e.kind());
            note(
                "a connection",
                listener != Some(std::io::ErrorKind::PermissionDenied),
            );
            note("a datagram", UdpSocket::bind("127.0.0.1:0").is_ok());
            let unix = std::os::unix::net::UnixStream::connect(folder.join("e"));
            let refused = unix.err().map(|e| e.kind());
            note(
                "a local socket",
                refused != Some(std::io::ErrorKind::PermissionDenied),
            );
            let run = std::process::Command::new("/bin/true").status();
            note("another program", run.is_ok());
            // What was handed over stays open for writing, and files for reading.
            use std::os::unix::fs::FileExt;
            inside.write_all_at(b"written", 0).unwrap();
            assert_eq!(std::fs::read(&there).unwrap(), b"written");
            assert!(std::fs::read_dir(&folder).unwrap().count() > 0);
            got
        };
        let got = std::thread::spawn(tried).join().unwrap();
        assert_eq!(got, Vec::<String>::new());
    }

    fn start_again() {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("elsewhere"), b"").unwrap();
        let inner = folder.path().join("folder");
        std::fs::create_dir(&inner).unwrap();
        std::fs::write(inner.join("there"), b"").unwrap();
        let name =
            "read::subprocess::confine::tests::nothing_can_be_written_called_or_run_afterwards";
        let run = std::process::Command::new(std::env::current_exe().unwrap())
            .args(["--exact", name])
            .env(FOLDER, &inner)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&run.stdout);
        assert!(run.status.success() && said.contains("1 passed"), "{said}");
    }

    #[test]
    fn memory_grows_with_files_and_what_is_asked_for() {
        let none = MemoryLimit::of(&[], Some(1)).most.into_inner();
        assert_eq!(none, BASE_BYTES + BYTES_PER_THREAD);
        let folder = tempfile::tempdir().unwrap();
        let large = folder.path().join("large");
        File::create(&large).unwrap().set_len(1 << 40).unwrap();
        let one = MemoryLimit::of(&[large], Some(1)).most.into_inner();
        assert_eq!(one, none + BYTES_PER_FILE + MOST_FILE_BYTES);
    }
}
