/// A small scene for tests of the whole program: synthetic frames in a folder of their own and a
/// scene as JSON that a test may spoil before it is written.
#pragma once

#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "support/process.hpp"
#include "support/scratch_folder.hpp"

namespace broadloom::test {

/// Names that a finished result has in its folder.
inline const std::vector<std::string> kResultNames{
    "pano_files",    "pano.tif", "tiff_tiles.txt", "pano.settled",
    "checksums.txt", "pano.dzi", "index.html",     "report.json"};

class SmallScene {
  public:
    /// columns x rows JPEG frames of 300 x 200, a third of a frame overlapping; `turn`: the columns
    /// go round.
    explicit SmallScene(int columns = 3, int rows = 2, bool turn = false);

    nlohmann::ordered_json json;

    /// Writes the scene; its path.
    std::filesystem::path write() const;
    [[nodiscard]] std::filesystem::path frame(size_t i) const {
        return folder_ / json["frames"][i]["file"].get<std::string>();
    }
    [[nodiscard]] std::filesystem::path out(const std::string& name = "out") const {
        return folder_ / name;
    }
    [[nodiscard]] const std::filesystem::path& folder() const { return folder_.path(); }

    /// Writes the scene and renders it: broadloom render SCENE --out OUT more...
    ProcessResult render(const std::vector<std::string>& more = {},
                         const std::string& out_name = "out",
                         const ProcessOptions& options = {}) const;

  private:
    testing::ScratchFolder folder_;
};

/// The program under test: $BROADLOOM_PROGRAM, or the one that was built.
std::string program();

/// Every file below a folder with its content, by relative name.
std::map<std::string, std::string> folder_content(const std::filesystem::path& folder);

/// Result and working names that a folder holds.
std::vector<std::string> result_names_in(const std::filesystem::path& folder);

}  // namespace broadloom::test
