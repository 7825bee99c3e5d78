#include <unistd.h>

#include <chrono>
#include <cstdio>
#include <map>
#include <memory>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "cli/commands.hpp"
#include "cli/progress.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    std::string scene, out, memory, background;
    std::string pass = "full", chroma = "420", instruction_set = "auto";
    double scale = 0;
    RenderOptions options;
    int bands = 0;
};

template <typename T>
T choice(const std::string& option, const std::string& word,
         const std::vector<std::pair<std::string_view, T>>& choices) {
    std::string all;
    for (const auto& [name, value] : choices) {
        if (name == word) return value;
        all += (all.empty() ? "" : ", ") + std::string(name);
    }
    throw Error(ErrorCode::usage,
                option + ": there is no \"" + escaped(word) + "\"; use one of " + all);
}

std::array<uint8_t, 3> parse_colour(const std::string& text) {
    std::string digits = text;
    if (!digits.empty() && digits[0] == '#') digits.erase(0, 1);
    if (digits.size() != 6 ||
        digits.find_first_not_of("0123456789abcdefABCDEF") != std::string::npos) {
        throw Error(ErrorCode::usage,
                    "--background: \"" + escaped(text) +
                        "\" is not a colour; give six hexadecimal digits like 2e2e2e");
    }
    const auto value = std::stoul(digits, nullptr, 16);
    return {static_cast<uint8_t>(value >> 16), static_cast<uint8_t>(value >> 8),
            static_cast<uint8_t>(value)};
}

void say_plan(const RenderPlan& p) {
    const Canvas& c = p.canvas;
    std::fprintf(stderr, "canvas   %lld x %lld px (%.4g gigapixels), %.2f x %.2f degrees, %s\n",
                 static_cast<long long>(c.width), static_cast<long long>(c.height),
                 static_cast<double>(c.width) * static_cast<double>(c.height) / 1e9,
                 c.right_deg - c.left_deg, c.top_deg - c.bottom_deg,
                 c.surface == Surface::sphere ? "sphere" : "cylinder");
    std::fprintf(stderr, "frames   %lld used, %lld left out\n",
                 static_cast<long long>(p.frames_used), static_cast<long long>(p.frames_left_out));
    std::fprintf(stderr, "tiles    %lld in %d levels\n", static_cast<long long>(p.tiles), p.levels);
    std::fprintf(stderr, "disk     about %s needed, %s free\n", format_bytes(p.disk_bytes).c_str(),
                 format_bytes(p.free_disk_bytes).c_str());
    std::fprintf(stderr, "memory   at most %s (%s would do), %d thread%s\n",
                 format_bytes(p.memory_budget_bytes).c_str(),
                 format_bytes(p.least_memory_bytes).c_str(), p.threads, p.threads == 1 ? "" : "s");
    std::fprintf(stderr, "time     about %s\n", format_duration(p.seconds).c_str());
}

void run(const Arguments& a) {
    RenderOptions o = a.options;
    o.out = a.out;
    o.pass = choice<Pass>("--pass", a.pass, {{"full", Pass::full}, {"draft", Pass::draft}});
    o.chroma = choice<Chroma>("--chroma", a.chroma, {{"420", Chroma::c420}, {"444", Chroma::c444}});
    o.instruction_set = choice<InstructionSet>("--instruction-set", a.instruction_set,
                                               {{"auto", InstructionSet::automatic},
                                                {"plain", InstructionSet::plain},
                                                {"sse4", InstructionSet::sse4},
                                                {"avx2", InstructionSet::avx2},
                                                {"avx512", InstructionSet::avx512},
                                                {"neon", InstructionSet::neon}});
    if (!a.memory.empty()) {
        o.memory_bytes = parse_size(a.memory);
        if (!o.memory_bytes) {
            throw Error(ErrorCode::usage, "--memory: \"" + escaped(a.memory) +
                                              "\" is not a size; give one like 512M or 2G");
        }
    }
    if (!a.background.empty()) o.background = parse_colour(a.background);

    const Scene scene = read_scene(a.scene, SceneNeeds::orientations);
    ProgressLine progress;
    RenderHooks hooks;
    hooks.stop = &stop_signal;
    hooks.planned = say_plan;
    hooks.note = [](const std::string& note) {
        std::fprintf(stderr, "note     %s\n", note.c_str());
    };
    hooks.progress = [&](const RenderProgress& p) { progress.show(p); };
    RenderReport report;
    try {
        report = render(scene, o, hooks);
    } catch (...) {
        progress.clear();
        throw;
    }
    progress.clear();
    if (report.already_finished) {
        std::fprintf(stderr, "%s already holds this very result; nothing to do\n",
                     escaped(a.out).c_str());
        return;
    }
    std::fprintf(stderr, "done     in %s (%.1f megapixels a second), memory at most %s\n",
                 format_duration(report.seconds).c_str(), report.megapixels / report.seconds,
                 format_bytes(report.peak_memory_bytes).c_str());
    const std::string folder = escaped(a.out);
    std::fprintf(stderr, "look     %s/index.html (opens in a browser), %s/pano.tif\n",
                 folder.c_str(), folder.c_str());
}

}  // namespace

void add_render(CLI::App& app) {
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "render", "Renders a scene to web tiles, a pyramidal TIFF and a page that shows them.");
    sub->add_option("SCENE", a->scene, "The scene file (JSON)")->required();
    sub->add_option("--out", a->out, "Folder for the result; absent or empty before")->required();
    sub->add_option("--pass", a->pass, "full: blended, final quality; draft: hard cuts, half size");
    CLI::Option* scale =
        sub->add_option("--scale", a->scale, "Size against the scene's own (full 1, draft 0.5)");
    sub->add_option("--memory", a->memory, "Memory limit like 512M or 2G (half of the machine's)");
    CLI::Option* threads =
        sub->add_option("--threads", a->options.threads, "Threads (all processors)");
    sub->add_option("--tile", a->options.tile, "Side of a tile, pixels (512)");
    sub->add_option("--overlap", a->options.overlap, "Pixels that tiles share with neighbours (0)");
    sub->add_option("--quality", a->options.quality, "JPEG quality 1..100 (90)");
    sub->add_option("--chroma", a->chroma, "Chroma subsampling: 420 or 444 (420)");
    CLI::Option* bands =
        sub->add_option("--bands", a->bands, "Bands of the blend, 1..8 (by frame size)");
    sub->add_option("--background", a->background, "Colour where no frame is, RRGGBB (2e2e2e)");
    sub->add_option("--instruction-set", a->instruction_set,
                    "auto, plain, sse4, avx2, avx512 or neon; the bytes are the same (auto)");
    sub->add_flag("--resume", a->options.resume, "Finish an interrupted render of the same scene");
    sub->footer(
        "Example:\n  broadloom render sample_inputs/scene.json --out out/draft --pass draft");
    sub->callback([a, scale, bands, threads] {
        if (scale->count() > 0) a->options.scale = a->scale;
        if (bands->count() > 0) a->options.bands = a->bands;
        if (threads->count() > 0 && a->options.threads == 0) {
            throw Error(ErrorCode::usage, "--threads: must be 1 to 1024");
        }
        run(*a);
    });
}

}  // namespace broadloom::cli
