#include <memory>

#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "broadloom/render.hpp"
#include "cli/commands.hpp"
#include "cli/picture_options.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    PictureArguments picture;
    std::string scene, out, memory, like;
    std::string pass = "full", instruction_set = "auto";
    double scale = 0;
    int bands = 0;
};

void run(const Arguments& a) {
    RenderOptions o = finish_picture_options(a.picture);
    o.out = a.out;
    o.pass = choice<Pass>("--pass", a.pass, {{"full", Pass::full}, {"draft", Pass::draft}});
    o.instruction_set = choice<InstructionSet>("--instruction-set", a.instruction_set,
                                               {{"auto", InstructionSet::automatic},
                                                {"plain", InstructionSet::plain},
                                                {"sse4", InstructionSet::sse4},
                                                {"avx2", InstructionSet::avx2},
                                                {"avx512", InstructionSet::avx512},
                                                {"neon", InstructionSet::neon}});
    o.memory_bytes = memory_option(a.memory);
    o.like = a.like;

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
        sub->add_option("--threads", a->picture.options.threads, "Threads (all processors)");
    sub->add_option("--tile", a->picture.options.tile, "Side of a tile, pixels (512)");
    sub->add_option("--overlap", a->picture.options.overlap,
                    "Pixels that tiles share with neighbours (0)");
    CLI::Option* bands =
        sub->add_option("--bands", a->bands, "Bands of the blend, 1..8 (by frame size)");
    add_picture_options(*sub, a->picture);
    sub->add_option("--like", a->like,
                    "A result of the same scene whose seams and corrections are used");
    sub->add_option("--instruction-set", a->instruction_set,
                    "auto, plain, sse4, avx2, avx512 or neon; the bytes are the same (auto)");
    sub->add_flag("--resume", a->picture.options.resume,
                  "Finish an interrupted render of the same scene; repair a damaged one");
    sub->footer(
        "Example:\n  broadloom render sample_inputs/scene.json --out out/draft --pass draft");
    sub->callback([a, scale, bands, threads] {
        if (scale->count() > 0) a->picture.options.scale = a->scale;
        if (bands->count() > 0) a->picture.options.bands = a->bands;
        a->picture.options.threads =
            threads_option(a->picture.options.threads, threads->count() > 0);
        run(*a);
    });
}

}  // namespace broadloom::cli
