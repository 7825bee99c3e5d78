/// The last step of a render: the sums of all its files, and the seal of its report.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "broadloom/work.hpp"
#include "io/sha256.hpp"
#include "render/output_folder.hpp"
#include "render/tile_sink.hpp"

namespace broadloom {

/// Files whose text is at hand before they are written.
struct ResultTexts {
    std::string descriptor, page, seams;  ///< seams: empty when there are none
};

/// Writes checksums and TIFF table under their working names, for outputs that stand finished under
/// theirs; the sum of checksums.txt. The TIFF is read once: its header is written last, so no sum
/// can be taken while it grows. Throws Error{machine}, and what a stop throws.
Sha256Sum write_result_sums(const OutputFolder& folder, const TileLayout& layout,
                            const TileSink& sink, const ResultTexts& texts, const WorkHooks& hooks);

/// The report's text with its own sum as the last member, "seal".
std::string sealed_report(nlohmann::ordered_json report);

/// Whether a report's text is, to the byte, one that sealed_report() wrote.
bool seal_holds(const std::string& text);

}  // namespace broadloom
