#include "base/file_handle.hpp"

#include <unistd.h>

#include <cerrno>
#include <system_error>
#include <utility>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace {

/// Calls transfer(rest, offset of rest) until all bytes have gone through.
template <typename Byte, typename Transfer>
void transfer_all(std::span<Byte> data, const char* action, const std::filesystem::path& path,
                  const Transfer& transfer) {
    for (size_t done = 0; done < data.size();) {
        const ssize_t n = transfer(data.subspan(done), done);
        if (n > 0) {
            done += static_cast<size_t>(n);
        } else if (n == 0) {  // a file cut short by somebody else
            throw_file_error(action, path, EIO);
        } else if (errno != EINTR) {
            throw_file_error(action, path, errno);
        }
    }
}

}  // namespace

void throw_file_error(const std::string& action, const std::filesystem::path& path,
                      int error_number) {
    const std::string advice = error_number == EEXIST ? "remove it or choose another folder"
                                                      : advice_for_errno(error_number);
    throw Error(ErrorCode::machine, "cannot " + action + " " + escaped(path.native()) + ": " +
                                        std::generic_category().message(error_number) + "; " +
                                        advice);
}

void write_fully(int fd, std::span<const uint8_t> data, const std::filesystem::path& path) {
    transfer_all(data, "write", path, [fd](std::span<const uint8_t> rest, size_t) {
        return ::write(fd, rest.data(), rest.size());
    });
}

void write_fully_at(int fd, uint64_t offset, std::span<const uint8_t> data,
                    const std::filesystem::path& path) {
    transfer_all(data, "write", path, [fd, offset](std::span<const uint8_t> rest, size_t done) {
        return ::pwrite(fd, rest.data(), rest.size(), static_cast<off_t>(offset + done));
    });
}

void read_fully_at(int fd, uint64_t offset, std::span<uint8_t> data,
                   const std::filesystem::path& path) {
    transfer_all(data, "read", path, [fd, offset](std::span<uint8_t> rest, size_t done) {
        return ::pread(fd, rest.data(), rest.size(), static_cast<off_t>(offset + done));
    });
}

FileHandle& FileHandle::operator=(FileHandle&& other) noexcept {
    if (this != &other) {
        reset();
        fd_ = std::exchange(other.fd_, -1);
    }
    return *this;
}

void FileHandle::reset() {
    if (fd_ >= 0) ::close(std::exchange(fd_, -1));
}

void FileHandle::sync_checked(const std::filesystem::path& path) const {
    while (::fsync(fd_) != 0) {
        if (errno == EINVAL || errno == ENOTSUP) return;
        if (errno != EINTR) throw_file_error("sync", path, errno);
    }
}

void FileHandle::close_checked(const std::filesystem::path& path) {
    // After EINTR the descriptor is gone on Linux: never close twice.
    if (fd_ >= 0 && ::close(std::exchange(fd_, -1)) != 0 && errno != EINTR)
        throw_file_error("finish writing", path, errno);
}

}  // namespace broadloom
