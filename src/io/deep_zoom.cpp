#include "io/deep_zoom.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <utility>

#include "base/text.hpp"
#include "broadloom/error.hpp"

namespace broadloom {

namespace {

/// Makes a folder that may exist already and opens it.
FileHandle make_folder(int parent, const std::string& name, const std::filesystem::path& shown) {
    if (::mkdirat(parent, name.c_str(), 0777) != 0 && errno != EEXIST)
        throw_file_error("make the folder", shown, errno);
    FileHandle handle(::openat(parent, name.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC));
    if (!handle.is_open()) throw_file_error("open the folder", shown, errno);
    return handle;
}

}  // namespace

std::string deep_zoom_descriptor(const PyramidShape& shape) {
    return "<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n"
           "<Image xmlns=\"http://schemas.microsoft.com/deepzoom/2008\" Format=\"jpg\" Overlap=\"" +
           std::to_string(shape.overlap) + "\" TileSize=\"" + std::to_string(shape.tile) +
           "\">\n    <Size Width=\"" + std::to_string(shape.width) + "\" Height=\"" +
           std::to_string(shape.height) + "\"/>\n</Image>\n";
}

DeepZoomWriter::DeepZoomWriter(std::filesystem::path folder, const PyramidShape& shape,
                               bool replace)
    : folder_(std::move(folder)),
      shape_(shape),
      replace_(replace),
      levels_(static_cast<size_t>(shape.levels())) {}

int DeepZoomWriter::level_handle(int level) {
    FileHandle& handle = levels_[static_cast<size_t>(level)];
    if (!handle.is_open()) {
        if (!folder_handle_.is_open())
            folder_handle_ = make_folder(AT_FDCWD, folder_.native(), folder_);
        const std::string name = std::to_string(level);
        handle = make_folder(folder_handle_.get(), name, folder_ / name);
    }
    return handle.get();
}

void DeepZoomWriter::put(int level, int64_t column, int64_t row, std::span<const uint8_t> jpeg) {
    if (level < 0 || level >= shape_.levels() || column < 0 || column >= shape_.columns(level) ||
        row < 0 || row >= shape_.rows(level))
        throw Error(ErrorCode::internal,
                    "tile " + std::to_string(level) + "/" + std::to_string(column) + "_" +
                        std::to_string(row) + " lies outside the pyramid of " +
                        escaped(folder_.native()) + "; please report this fault");
    const int parent = level_handle(level);
    const std::string name = std::to_string(column) + "_" + std::to_string(row) + ".jpg";
    const std::filesystem::path shown = folder_ / std::to_string(level) / name;
    // Relative to the level's folder: the kernel need not walk the whole path for each tile.
    FileHandle file(::openat(parent, name.c_str(),
                             O_WRONLY | O_CREAT | O_CLOEXEC | (replace_ ? O_TRUNC : O_EXCL), 0666));
    if (!file.is_open()) throw_file_error("create", shown, errno);
    try {
        write_fully(file.get(), jpeg, shown);
        file.close_checked(shown);
    } catch (...) {
        ::unlinkat(parent, name.c_str(), 0);
        throw;
    }
}

void DeepZoomWriter::sync() {
    if (!folder_handle_.is_open()) return;
    // One call for all tiles: an fsync for each of the many small files would take minutes.
    if (::syncfs(folder_handle_.get()) != 0) throw_file_error("sync", folder_, errno);
}

}  // namespace broadloom
