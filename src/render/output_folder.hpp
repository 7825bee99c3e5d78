/// The result folder: what it may hold before, working names, final names.
#pragma once

#include <filesystem>
#include <string>

namespace broadloom {

/// Whether a finished result has a file or folder of this name beside its page.
bool is_result_name(const std::string& name);

class OutputFolder {
  public:
    enum class Found { empty, interrupted, finished };

    /// Creates the folder when absent, refuses a second render into it (a lock that ends with the
    /// process) and looks at what it holds: nothing; a finished result of the same job; working
    /// files of an interrupted run (kept for going on with `resume`, otherwise refused); anything
    /// else is refused, untouched. Throws Error.
    OutputFolder(std::filesystem::path folder, const std::string& identity, bool resume);
    ~OutputFolder();
    OutputFolder(const OutputFolder&) = delete;
    OutputFolder& operator=(const OutputFolder&) = delete;

    [[nodiscard]] Found found() const { return found_; }

    [[nodiscard]] std::filesystem::path working_tiles() const {
        return folder_ / "pano_files.part";
    }
    [[nodiscard]] std::filesystem::path working_tiff() const { return folder_ / "pano.tif.part"; }
    [[nodiscard]] std::filesystem::path scratch() const { return folder_ / "scratch.part"; }
    [[nodiscard]] const std::filesystem::path& path() const { return folder_; }

    [[nodiscard]] std::filesystem::path checkpoint() const { return folder_ / "checkpoint.part"; }
    [[nodiscard]] std::filesystem::path working_settled() const { return folder_ / "settled.part"; }
    [[nodiscard]] std::filesystem::path working_checksums() const {
        return folder_ / "checksums.part";
    }
    [[nodiscard]] std::filesystem::path working_tiff_tiles() const {
        return folder_ / "tiff_tiles.part";
    }
    [[nodiscard]] std::filesystem::path survey() const { return folder_ / "survey.part"; }

    /// Removes what an interrupted run left of the picture, for a fresh start.
    void start_afresh();

    /// Leaves the working files behind when this ends without finish(), if there is a checkpoint.
    /// Returns whether there is.
    bool keep_for_resume();

    /// Gives everything its final name; tiles and TIFF first, then the descriptor, the page's seams
    /// (none when empty) and the page, the report last. Throws Error{machine}.
    void finish(const std::string& descriptor, const std::string& page, const std::string& report,
                const std::string& seams = {});

  private:
    void remove_working_files() noexcept;

    std::filesystem::path folder_;
    std::string identity_;
    Found found_ = Found::empty;
    bool created_ = false, complete_ = false, keep_ = false;
    int lock_ = -1;
};

}  // namespace broadloom
