#include <memory>

#include "cli/commands.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

void add_align(CLI::App& app) {
    struct Arguments {
        std::string scene, out, memory;
        double level = 0;
        int threads = 0;
        bool keep_light = false;
    };
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "align", "Finds where every frame of a scene looked, the lens, exposure and vignetting.");
    sub->add_option("SCENE", a->scene, "The scene file (JSON)")->required();
    sub->add_option("--out", a->out,
                    "Write the scene here (otherwise SCENE itself; the old one is SCENE.before)");
    sub->add_option("--level", a->level, "Turn the levelled picture clockwise, degrees (0)");
    sub->add_flag("--keep-light", a->keep_light,
                  "Leave gains and vignetting as the scene has them");
    sub->add_option("--memory", a->memory, "Memory limit like 512M or 2G (half of the machine's)");
    CLI::Option* threads = sub->add_option("--threads", a->threads, "Threads (all processors)");
    sub->footer("Example:\n  broadloom align scene.json");
    sub->callback([a, threads] {
        AlignOptions o;
        o.scene = a->scene;
        o.out = a->out;
        o.level_deg = a->level;
        o.photometry = !a->keep_light;
        o.memory_bytes = memory_option(a->memory);
        o.threads = threads_option(a->threads, threads->count() > 0);
        run_align(o);
    });
}

}  // namespace broadloom::cli
