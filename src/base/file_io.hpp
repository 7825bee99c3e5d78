/// Small files, safely: reading with a limit, writing that leaves either the old or the new file.
#pragma once

#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <string>
#include <string_view>

namespace broadloom {

/// What someone can do about an errno value, as the end of a message: "free some space there or
/// choose another folder".
std::string advice_for_errno(int error_number);

/// Writes a file so that at every moment, a crash included, the path holds either what it held
/// before or all of `bytes`: a working name in the same folder, fsync, rename, fsync of the folder.
/// Follows a symbolic link to its end and keeps the permissions of a file that it replaces. Throws
/// Error{machine}; then no working name is left and, unless only the last fsync failed, the old
/// file stands.
void write_file_atomic(const std::filesystem::path& path, std::string_view bytes);

/// Makes renames and new names in a folder durable (fsync). File systems that cannot do it for a
/// folder are let pass. Throws Error{machine}.
void sync_folder(const std::filesystem::path& folder);

/// All bytes of a file (a pipe serves too). Throws Error{input} when it is missing, a folder, or
/// holds more than max_bytes, Error{machine} when the machine refuses to read it.
std::string read_file_limited(const std::filesystem::path& path, size_t max_bytes);

/// Bytes that an ordinary user may still write where `path` is or, when it does not exist yet, at
/// its nearest existing parent. Throws Error{machine}.
int64_t free_disk_bytes(const std::filesystem::path& path);

}  // namespace broadloom
