/// An open file, read and written in whole ranges: interrupted calls are repeated and short ones
/// continued, errors name the file and what to do.
#pragma once

#include <cstdint>
#include <filesystem>
#include <span>
#include <string>

namespace broadloom {

/// Throws Error{machine}: "cannot <action> <path>: <what errno says>; <what to do>".
[[noreturn]] void throw_file_error(const std::string& action, const std::filesystem::path& path,
                                   int error_number);

/// Appends all of `data` at the descriptor's position. Throws Error{machine}, naming `path`.
void write_fully(int fd, std::span<const uint8_t> data, const std::filesystem::path& path);

/// The same at a given byte offset.
void write_fully_at(int fd, uint64_t offset, std::span<const uint8_t> data,
                    const std::filesystem::path& path);

/// Fills all of `data` from a byte offset; a file that ends before is an error too.
void read_fully_at(int fd, uint64_t offset, std::span<uint8_t> data,
                   const std::filesystem::path& path);

/// Owns one descriptor; closes it when destroyed (without a check: use close_checked for output).
class FileHandle {
  public:
    FileHandle() = default;
    explicit FileHandle(int fd) : fd_(fd) {}
    FileHandle(FileHandle&& other) noexcept : fd_(other.fd_) { other.fd_ = -1; }
    FileHandle& operator=(FileHandle&& other) noexcept;
    FileHandle(const FileHandle&) = delete;
    FileHandle& operator=(const FileHandle&) = delete;
    ~FileHandle() { reset(); }

    [[nodiscard]] int get() const { return fd_; }
    [[nodiscard]] bool is_open() const { return fd_ >= 0; }
    void reset();
    /// Gives the descriptor away: it is the caller's to close.
    int release() {
        const int fd = fd_;
        fd_ = -1;
        return fd;
    }

    /// fsync; file systems that know none are let pass. Throws Error{machine}, naming `path`.
    void sync_checked(const std::filesystem::path& path) const;

    /// Closes and reports what only the close reveals (quotas and full disks on network drives).
    /// Throws Error{machine}, naming `path`.
    void close_checked(const std::filesystem::path& path);

  private:
    int fd_ = -1;
};

}  // namespace broadloom
