#include <memory>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "cli/commands.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    std::string scene, out, memory, background;
    std::string pass = "full", chroma = "420", instruction_set = "auto";
    double scale = 0;
    RenderOptions options;
    int bands = 0;
};

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
    o.memory_bytes = memory_option(a.memory);
    if (!a.background.empty()) o.background = parse_colour(a.background);

    const Scene scene = read_scene(a.scene, SceneNeeds::orientations);
    run_render(scene, o);
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
        a->options.threads = threads_option(a->options.threads, threads->count() > 0);
        run(*a);
    });
}

}  // namespace broadloom::cli
