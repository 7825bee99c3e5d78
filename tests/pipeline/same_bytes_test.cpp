// The bytes of a result do not depend on threads, memory, block size or instruction set.
#include <algorithm>
#include <catch2/catch.hpp>
#include <cmath>
#include <cstdlib>
#include <map>
#include <set>
#include <vector>

#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "support/memory_frames.hpp"
#include "support/scratch_folder.hpp"
#include "support/shoot.hpp"

using namespace broadloom;
using namespace broadloom::test;
using broadloom::testing::file_bytes;
using broadloom::testing::ScratchFolder;

namespace {

/// Every file of a result but the report, by its name inside the folder.
using Result = std::map<std::string, std::vector<uint8_t>>;

Result result_in(const std::filesystem::path& folder) {
    Result files;
    for (const auto& entry : std::filesystem::recursive_directory_iterator(folder)) {
        if (!entry.is_regular_file() || entry.path().filename() == "report.json") continue;
        files[std::filesystem::relative(entry.path(), folder).string()] = file_bytes(entry.path());
    }
    return files;
}

/// Names of the files that differ or stand on one side only.
std::set<std::string> differing(const Result& a, const Result& b) {
    std::set<std::string> names;
    for (const auto& [name, bytes] : a) {
        const auto other = b.find(name);
        if (other == b.end() || other->second != bytes) names.insert(name);
    }
    for (const auto& [name, bytes] : b) {
        if (!a.contains(name)) names.insert(name);
    }
    return names;
}

Picture patterned(int64_t width, int64_t height) {
    Picture p;
    p.width = width;
    p.height = height;
    Dice dice(3);
    for (int64_t y = 0; y < height; ++y) {
        for (int64_t x = 0; x < width; ++x) {
            // Whole waves round the picture, so that its left and right edges meet.
            const double angle = 2 * kPi * static_cast<double>(x) / static_cast<double>(width);
            for (int c = 0; c < 3; ++c) {
                const double v = 120 + 50 * std::sin(23 * angle + c) +
                                 40 * std::cos(0.05 * static_cast<double>(y) + 5 * angle) +
                                 dice.between(-15, 15);
                p.rgb.push_back(static_cast<uint8_t>(std::clamp(v, 0.0, 255.0)));
            }
        }
    }
    return p;
}

class Trial {
  public:
    Trial(const Scene& scene, const ScratchFolder& folder, Pass pass, Seams seams = Seams::fine)
        : scene_(scene), folder_(folder) {
        usual_.pass = pass;
        usual_.seams = seams;
        if (seams == Seams::simple) {  // nothing to decide before
            usual_.shift_limit_px = 0;
            usual_.even_light = false;
        }
        usual_.tile = pass == Pass::draft ? 128 : 512;  // drafts are small
        usual_.threads = 2;
        usual_.memory_bytes = int64_t{1} << 30;
        first_ = run(usual_, nullptr);
    }
    [[nodiscard]] const RenderOptions& usual() const { return usual_; }
    [[nodiscard]] const Result& first() const { return first_; }

    Result run(RenderOptions options, RenderReport* report) {
        options.out = folder_ / ("out" + std::to_string(++count_));
        const RenderReport told = render(scene_, options);
        if (report != nullptr) *report = told;
        Result files = result_in(options.out);
        std::filesystem::remove_all(options.out);
        return files;
    }
    /// Renders with other options and demands the same bytes.
    RenderReport same(const RenderOptions& options, const std::string& what) {
        RenderReport report;
        const std::set<std::string> names = differing(first_, run(options, &report));
        INFO(what << ": " << names.size() << " files differ, first "
                  << (names.empty() ? std::string() : *names.begin()));
        CHECK(names.empty());
        return report;
    }

  private:
    const Scene& scene_;
    const ScratchFolder& folder_;
    RenderOptions usual_;
    Result first_;
    int count_ = 0;
};

/// Whether BROADLOOM_FIGURES asks for every change by itself.
bool figures() { return std::getenv("BROADLOOM_FIGURES") != nullptr; }

enum class Memory { usual, least, twice, plenty };

/// What works differently; zero and false: as usual.
struct Change {
    int threads = 0;
    Memory memory = Memory::usual;
    int64_t block = 0;
    bool plain = false;
};

const std::vector<Change> kOneByOne{{1},
                                    {5},
                                    {0, Memory::least},
                                    {0, Memory::twice},
                                    {0, Memory::plenty},
                                    {0, Memory::usual, 64},
                                    {0, Memory::usual, 256},
                                    {0, Memory::usual, 512}};
const std::vector<Change> kTogether{
    {1, Memory::least, 256, true}, {5, Memory::twice, 64}, {1, Memory::plenty, 512}};

void try_out(const Scene& scene, const ScratchFolder& folder, Pass pass) {
    Trial trial(scene, folder, pass);
    REQUIRE(trial.first().contains("pano.tif"));
    REQUIRE(trial.first().contains("pano.dzi"));
    REQUIRE(trial.first().size() > 16);

    // One thing at a time for the figures; else each with others, which takes fewer renders.
    for (const Change& change : figures() ? kOneByOne : kTogether) {
        RenderOptions o = trial.usual();
        if (change.threads > 0) o.threads = change.threads;
        if (change.block > 0) o.block = change.block;
        if (change.plain) o.instruction_set = InstructionSet::plain;
        o.out = folder / "planned";
        const int64_t least = plan_render(scene, o).least_memory_bytes;
        int64_t bytes = *o.memory_bytes;
        if (change.memory == Memory::least) bytes = least + (int64_t{6} << 20);
        if (change.memory == Memory::twice) bytes = 2 * least;
        if (change.memory == Memory::plenty) bytes = int64_t{3} << 30;
        o.memory_bytes = bytes;
        const RenderReport report =
            trial.same(o, std::to_string(o.threads) + " threads, " + std::to_string(bytes >> 20) +
                              " MiB, blocks of " + std::to_string(o.block));
        CHECK(report.threads == o.threads);
        CHECK(report.memory_budget_bytes == bytes);
    }
    std::set<std::string> tried;
    if (!figures()) tried.insert("plain");  // with others above
    for (const InstructionSet set :
         {InstructionSet::plain, InstructionSet::sse4, InstructionSet::avx2, InstructionSet::avx512,
          InstructionSet::neon}) {
        if (tried.contains("plain") && set == InstructionSet::plain) continue;
        // Drafts by other code than plain one are left to program_bytes_test.
        if (!figures() && pass == Pass::draft) continue;
        RenderOptions o = trial.usual();
        o.instruction_set = set;
        o.out = folder / "asked";
        try {
            plan_render(scene, o);
        } catch (const Error& e) {
            CHECK(e.code() == ErrorCode::usage);
            continue;  // this processor lacks it
        }
        tried.insert(trial.same(o, "instruction set " + std::to_string(static_cast<int>(set)))
                         .instruction_set);
    }
    CHECK(tried.contains("plain"));
    CHECK((tried.size() >= 2 || (!figures() && pass == Pass::draft)));

    // Negative controls: another background, of which the canvas has some, and another quality.
    RenderOptions other = trial.usual();
    other.background = {46, 46, 47};
    const std::set<std::string> changed = differing(trial.first(), trial.run(other, nullptr));
    CHECK(changed.contains("pano.tif"));
    CHECK(changed.size() > 3);
    CHECK(changed.size() < trial.first().size());
    other = trial.usual();
    other.quality = 91;
    CHECK(differing(trial.first(), trial.run(other, nullptr)).contains("pano.tif"));
}

/// Frames that leave some of the canvas bare.
Scene sphere_scene(const ScratchFolder& folder) {
    const Canvas canvas = canvas_between(Surface::sphere, -31, 31.4, 16, -15.2, 30);
    ShootOptions o;
    o.rows = 2;
    o.columns = 3;
    o.width = 700;
    o.height = 560;
    o.radial = {-0.1, 0, 0};
    o.vignetting = {-0.2, 0, 0};
    o.gain_spread = 0.3;
    o.aim_error_deg = 0.3;
    o.roll_error_deg = 2;
    return shoot(patterned(canvas.width, canvas.height), canvas, o, folder.path());
}

Scene cylinder_scene(const ScratchFolder& folder) {
    const Canvas canvas = canvas_around(Surface::cylinder, -180, 45, -42, 1536);
    ShootOptions o;
    o.surface = Surface::cylinder;
    o.rows = 1;
    o.columns = 6;
    o.width = 420;
    o.height = 330;
    o.gain_spread = 0.3;
    o.aim_error_deg = 1;
    o.roll_error_deg = 3;
    return shoot(patterned(canvas.width, canvas.height), canvas, o, folder.path());
}

}  // namespace

TEST_CASE("a full sphere has the same bytes whatever works on it", "[pipeline][exact]") {
    const ScratchFolder folder;
    try_out(sphere_scene(folder), folder, Pass::full);
}
TEST_CASE("a draft sphere has the same bytes whatever works on it", "[pipeline][exact]") {
    const ScratchFolder folder;
    try_out(sphere_scene(folder), folder, Pass::draft);
}
TEST_CASE("a full cylinder that wraps has the same bytes whatever works on it",
          "[pipeline][exact]") {
    const ScratchFolder folder;
    try_out(cylinder_scene(folder), folder, Pass::full);
}
TEST_CASE("a draft cylinder that wraps has the same bytes whatever works on it",
          "[pipeline][exact]") {
    const ScratchFolder folder;
    try_out(cylinder_scene(folder), folder, Pass::draft);
}

TEST_CASE("frames decoded again and again for want of memory give the same bytes",
          "[pipeline][exact]") {
    const ScratchFolder folder;
    const Canvas canvas = canvas_between(Surface::sphere, -30, 30, 22, -22, 45);
    ShootOptions o;
    o.rows = 4;
    o.columns = 4;
    o.width = 1000;
    o.height = 800;
    o.focal_px = 45 * kDegPerRad;
    o.overlap = 0.5;
    o.gain_spread = 0.2;
    // Chroma at full resolution: 2.4 MB a frame in memory.
    o.chroma_444 = true;
    const Scene scene = shoot(patterned(canvas.width, canvas.height), canvas, o, folder.path());
    // Deciding the seams takes more memory than these few frames.
    Trial trial(scene, folder, Pass::full, Seams::simple);
    RenderOptions tight = trial.usual();
    tight.threads = 1;
    tight.out = folder / "planned";
    tight.memory_bytes = plan_render(scene, tight).least_memory_bytes + (int64_t{1} << 20);
    const RenderReport hungry = trial.same(tight, "little memory");
    const RenderReport fed = trial.same(trial.usual(), "much memory");
    CHECK(fed.decodes == fed.frames);
    CHECK(hungry.decodes > fed.decodes);
}
