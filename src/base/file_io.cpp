#include "base/file_io.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <sys/statvfs.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <limits>
#include <system_error>
#include <utility>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {
namespace {

namespace fs = std::filesystem;

/// An open file descriptor.
class Descriptor {
  public:
    explicit Descriptor(int number) : number_(number) {}
    ~Descriptor() { close(); }
    Descriptor(const Descriptor&) = delete;
    Descriptor& operator=(const Descriptor&) = delete;

    [[nodiscard]] int number() const { return number_; }
    /// 0, or the errno of a close that failed (some network file systems report writes here).
    int close() {
        const int number = std::exchange(number_, -1);
        return number >= 0 && ::close(number) != 0 && errno != EINTR ? errno : 0;
    }

  private:
    int number_;
};

/// Removes a working file unless it was renamed.
class WorkingName {
  public:
    explicit WorkingName(fs::path path) : path_(std::move(path)) {}
    ~WorkingName() {
        if (!path_.empty()) {
            ::unlink(path_.c_str());
        }
    }
    WorkingName(const WorkingName&) = delete;
    WorkingName& operator=(const WorkingName&) = delete;
    void release() { path_.clear(); }

  private:
    fs::path path_;
};

std::string reason(int error_number) { return std::generic_category().message(error_number); }

[[noreturn]] void refuse(const fs::path& path, const std::string& what, int error_number,
                         ErrorCode code = ErrorCode::machine) {
    throw Error(code, escaped(path.native()) + ": " + what + " (" + reason(error_number) + "); " +
                          advice_for_errno(error_number));
}

int open_retrying(const fs::path& path, int flags, mode_t mode = 0) {
    int number = -1;
    do {
        number = ::open(path.c_str(), flags | O_CLOEXEC, mode);
    } while (number < 0 && errno == EINTR);
    return number;
}

/// 0 or an errno.
int write_all(int number, std::string_view bytes) {
    while (!bytes.empty()) {
        const ssize_t written = ::write(number, bytes.data(), bytes.size());
        if (written >= 0) {
            bytes.remove_prefix(static_cast<size_t>(written));
        } else if (errno != EINTR) {
            return errno;
        }
    }
    return 0;
}

/// 0 or an errno; a file system that knows no fsync is let pass.
int sync_descriptor(int number) {
    while (::fsync(number) != 0) {
        if (errno == EINVAL || errno == ENOTSUP) {
            return 0;
        }
        if (errno != EINTR) {
            return errno;
        }
    }
    return 0;
}

fs::path folder_of(const fs::path& path) {
    return path.has_parent_path() ? path.parent_path() : fs::path(".");
}

/// Where symbolic links lead, even when the last of them dangles.
fs::path end_of_links(fs::path path) {
    constexpr int kMostLinks = 40;  // the kernel's own limit
    std::error_code failed;
    for (int i = 0; i < kMostLinks && fs::is_symlink(fs::symlink_status(path, failed)); ++i) {
        const fs::path target = fs::read_symlink(path, failed);
        if (failed) {
            break;
        }
        path = target.is_absolute() ? target : folder_of(path) / target;
    }
    return path;
}

}  // namespace

std::string advice_for_errno(int error_number) {
    switch (error_number) {
        case ENOSPC:
        case EDQUOT:
            return "free some space there or choose another folder";
        case EACCES:
        case EPERM:
            return "change its permissions or choose another place";
        case EROFS:
            return "choose a place that can be written to";
        case ENOENT:
        case ENOTDIR:
            return "check the path and create the folder first";
        case EFBIG:
            return "raise the file size limit or choose another file system";
        case EIO:
            return "check the disk and its cable, then try again";
        case EMFILE:
        case ENFILE:
            return "raise the limit of open files (ulimit -n) and try again";
        case ENAMETOOLONG:
            return "choose a shorter name";
        case ELOOP:
            return "remove the symbolic link that leads back to itself";
        case EISDIR:
            return "give the name of a file, not of a folder";
        default:
            return "check the disk and try again";
    }
}

void write_file_atomic(const fs::path& path, std::string_view bytes) {
    const fs::path target = end_of_links(path);
    struct stat old {};
    const bool replaces = ::stat(target.c_str(), &old) == 0;
    if (replaces && S_ISDIR(old.st_mode)) {
        refuse(path, "cannot be written", EISDIR);
    }

    // Short, so that a target name of the greatest length has room for it beside itself.
    constexpr int kMostTries = 100;
    fs::path working;
    int number = -1;
    for (int i = 0; i < kMostTries && number < 0; ++i) {
        working = folder_of(target) /
                  (".broadloom-" + std::to_string(::getpid()) + "-" + std::to_string(i) + ".tmp");
        number = open_retrying(working, O_WRONLY | O_CREAT | O_EXCL, 0666);
        if (number < 0 && errno != EEXIST) {
            break;
        }
    }
    if (number < 0) {
        refuse(path, "cannot be written", errno);
    }
    WorkingName cleanup(working);
    Descriptor file(number);
    if (replaces && ::fchmod(number, old.st_mode & 07777U) != 0) {
        refuse(path, "cannot keep its permissions", errno);
    }
    int failure = write_all(number, bytes);
    if (failure == 0) {
        failure = sync_descriptor(number);
    }
    if (const int close_failure = file.close(); failure == 0) {
        failure = close_failure;
    }
    if (failure == 0 && ::rename(working.c_str(), target.c_str()) != 0) {
        failure = errno;
    }
    if (failure != 0) {
        refuse(path, "cannot be written", failure);
    }
    cleanup.release();
    sync_folder(folder_of(target));
}

void sync_folder(const fs::path& folder) {
    const Descriptor opened(open_retrying(folder, O_RDONLY | O_DIRECTORY));
    if (opened.number() < 0) {
        // A folder may allow new names but no reading; then there is nothing to sync it through.
        if (errno == EACCES) {
            return;
        }
        refuse(folder, "cannot be opened", errno);
    }
    if (const int failure = sync_descriptor(opened.number()); failure != 0) {
        refuse(folder, "cannot be brought safely to disk", failure);
    }
}

std::string read_file_limited(const fs::path& path, size_t max_bytes) {
    const std::string name = escaped(path.native());
    const Descriptor file(open_retrying(path, O_RDONLY));
    if (file.number() < 0) {
        const int failure = errno;
        switch (failure) {
            case ENOENT:
            case ENOTDIR:
            case ENAMETOOLONG:
            case ELOOP:
                throw Error(ErrorCode::input, name + ": no such file (" + reason(failure) +
                                                  "); check the name and the folder");
            default:
                refuse(path, "cannot be opened", failure);
        }
    }
    struct stat status {};
    if (::fstat(file.number(), &status) != 0) {
        refuse(path, "cannot be read", errno);
    }
    if (S_ISDIR(status.st_mode)) {
        throw Error(ErrorCode::input, name + ": is a folder; give the name of a file in it");
    }
    const auto refuse_size = [&] {
        throw Error(ErrorCode::input,
                    name + ": is larger than " + format_bytes(static_cast<int64_t>(max_bytes)) +
                        ", the most that is read; check that it is the right file");
    };
    if (S_ISREG(status.st_mode) && static_cast<uint64_t>(status.st_size) > max_bytes) {
        refuse_size();
    }
    // The size is only a hint: pipes have none, and a file may grow meanwhile.
    constexpr size_t kLeastChunk = size_t{64} << 10U;
    std::string bytes;
    bytes.resize(std::min(max_bytes, static_cast<size_t>(std::max<off_t>(status.st_size, 0))) + 1);
    size_t filled = 0;
    while (true) {
        if (filled == bytes.size()) {
            bytes.resize(bytes.size() + std::max(kLeastChunk, bytes.size()));
        }
        const ssize_t got = ::read(file.number(), bytes.data() + filled, bytes.size() - filled);
        if (got == 0) {
            break;
        }
        if (got < 0) {
            if (errno != EINTR) {
                refuse(path, "cannot be read", errno);
            }
            continue;
        }
        filled += static_cast<size_t>(got);
        if (filled > max_bytes) {
            refuse_size();
        }
    }
    bytes.resize(filled);
    return bytes;
}

int64_t free_disk_bytes(const fs::path& path) {
    std::error_code failed;
    fs::path place = fs::absolute(path.empty() ? fs::path(".") : path, failed);
    struct statvfs disk {};
    while (::statvfs(place.c_str(), &disk) != 0) {
        const int failure = errno;
        if (failure == EINTR) {
            continue;
        }
        const fs::path parent = place.parent_path();
        if ((failure != ENOENT && failure != ENOTDIR) || parent == place || parent.empty()) {
            refuse(path, "free disk space cannot be found out", failure);
        }
        place = parent;
    }
    constexpr auto kMost = static_cast<uint64_t>(std::numeric_limits<int64_t>::max());
    const uint64_t unit = std::max<uint64_t>(disk.f_frsize, 1);
    return static_cast<int64_t>(std::min<uint64_t>(disk.f_bavail, kMost / unit) * unit);
}

}  // namespace broadloom
