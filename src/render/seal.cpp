#include "render/seal.hpp"

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>

#include <cerrno>
#include <nlohmann/json.hpp>

#include "base/work_meter.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

Sha256Sum sum_of(const fs::path& path, const WorkHooks& hooks) {
    const FileHandle file(::open(path.c_str(), O_RDONLY | O_CLOEXEC));
    struct stat status {};
    if (!file.is_open() || ::fstat(file.get(), &status) != 0) {
        throw_file_error("open", path, errno);
    }
    WorkMeter meter("taking checksums", static_cast<size_t>(status.st_size), hooks);
    return sha256_of_file(file.get(), path, [&](size_t bytes) { meter.advance(bytes); });
}

}  // namespace

Sha256Sum write_result_sums(const OutputFolder& folder, const TileLayout& layout,
                            const TileSink& sink, const ResultTexts& texts,
                            const WorkHooks& hooks) {
    const PyramidShape& tiff_shape = layout.tiff_shape;
    std::vector<std::pair<std::string, Sha256Sum>> files;
    files.emplace_back("pano.tif", sum_of(folder.working_tiff(), hooks));
    files.emplace_back(kTiffTilesName,
                       write_tiff_tiles(folder.working_tiff_tiles(), tiff_shape, sink.tiff_state(),
                                        sink.sums(), sink.job()));
    std::error_code ignored;
    if (fs::exists(folder.working_settled(), ignored)) {
        files.emplace_back("pano.settled", sum_of(folder.working_settled(), hooks));
    }
    files.emplace_back("pano.dzi", sha256(std::string_view(texts.descriptor)));
    if (!texts.seams.empty()) {
        files.emplace_back("seams.js", sha256(std::string_view(texts.seams)));
    }
    files.emplace_back("index.html", sha256(std::string_view(texts.page)));
    return write_checksums(folder.working_checksums(), sink.shape(), sink.sums(), files);
}

std::string sealed_report(nlohmann::ordered_json report) {
    report.erase("seal");
    report["seal"] = sum_text(sha256(std::string_view(report.dump(2))));
    return report.dump(2) + "\n";
}

bool seal_holds(const std::string& text) {
    try {
        auto report = nlohmann::ordered_json::parse(text);
        return report.is_object() && sealed_report(std::move(report)) == text;
    } catch (const std::exception&) {
        return false;
    }
}

}  // namespace broadloom
