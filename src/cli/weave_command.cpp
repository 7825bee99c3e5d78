#include <cstdio>
#include <filesystem>
#include <memory>

#include "base/text.hpp"
#include "cli/commands.hpp"
#include "cli/gather_options.hpp"
#include "cli/picture_options.hpp"
#include "cli/steps.hpp"

namespace broadloom::cli {

namespace {

struct Arguments {
    GatherArguments gather;
    PictureArguments picture;
    std::string out, memory, pass = "both";
    double level = 0;
    int threads = 0;
    bool resume = false;
};

void say_step(const char* step) { std::fprintf(stderr, "\n== %s\n", step); }

/// Makes the folder, or says what is wrong with the one that is there.
void open_folder(const std::filesystem::path& folder, bool resume) {
    std::error_code error;
    const bool there = std::filesystem::exists(folder, error);
    if (there && !std::filesystem::is_directory(folder, error)) {
        throw Error(ErrorCode::usage, "--out: " + escaped(folder.native()) +
                                          " is a file; name a folder that is absent or empty");
    }
    if (there && !std::filesystem::is_empty(folder, error) && !resume) {
        throw Error(ErrorCode::usage,
                    "--out: " + escaped(folder.native()) +
                        " is not empty; add --resume to go on with what it holds, or name a folder "
                        "that is absent or empty");
    }
    std::filesystem::create_directories(folder, error);
    if (error) {
        throw Error(ErrorCode::machine, "--out: " + escaped(folder.native()) + " cannot be made: " +
                                            error.message() + "; choose another folder");
    }
}

void run(const Arguments& a, int threads) {
    const std::filesystem::path folder = a.out;
    const std::filesystem::path scene_file = folder / "scene.json";
    const auto memory = memory_option(a.memory);
    GatherOptions gather_options = finish_gather_options(a.gather);
    const std::vector<Pass> passes = choice<std::vector<Pass>>(
        "--pass", a.pass,
        {{"both", {Pass::draft, Pass::full}}, {"draft", {Pass::draft}}, {"full", {Pass::full}}});
    const RenderOptions picture_options = finish_picture_options(a.picture);
    open_folder(folder, a.resume);
    std::error_code ignored;
    // What an earlier run has finished stands under its final name.
    const bool gathered = a.resume && std::filesystem::exists(scene_file, ignored);
    const bool aligned = gathered && std::filesystem::exists(folder / "scene.json.before", ignored);
    if (!gathered) {
        say_step("gather: what is on the card");
        gather_options.out = scene_file;
        gather_options.title = std::filesystem::absolute(folder).lexically_normal().filename();
        gather_options.memory_bytes = memory;
        gather_options.threads = threads;
        run_gather(gather_options);
    }
    if (!aligned) {
        say_step("align: where every frame looked");
        AlignOptions o;
        o.scene = scene_file;
        o.level_deg = a.level;
        o.memory_bytes = memory;
        o.threads = threads;
        run_align(o);
    }
    for (const Pass pass : passes) {
        say_step(pass == Pass::draft ? "render: draft" : "render: full");
        RenderOptions o = picture_options;
        o.out = folder / (pass == Pass::draft ? "draft" : "full");
        o.pass = pass;
        o.memory_bytes = memory;
        o.threads = threads;
        o.resume = a.resume;
        if (pass == Pass::draft && o.crop.kind == Crop::Kind::pixels) {
            // Pixels count in the full picture; the draft is half its size.
            for (double* side : {&o.crop.left, &o.crop.top, &o.crop.right, &o.crop.bottom}) {
                *side /= 2;
            }
        }
        // The draft has decided the seams already.
        if (pass == Pass::full && passes.size() > 1) o.like = folder / "draft";
        run_render(read_scene(scene_file, SceneNeeds::orientations), o);
    }
}

}  // namespace

void add_weave(CLI::App& app) {
    auto a = std::make_shared<Arguments>();
    CLI::App* sub = app.add_subcommand(
        "weave", "From a folder of photographs to the picture: gather, align, render in turn.");
    add_gather_options(*sub, a->gather);
    add_picture_options(*sub, a->picture);
    sub->add_option("--out", a->out, "Folder for everything; absent or empty before")->required();
    sub->add_option("--pass", a->pass, "draft, full, or both in turn (both)");
    sub->add_option("--level", a->level, "Turn the levelled picture clockwise, degrees (0)");
    sub->add_option("--memory", a->memory, "Memory limit like 512M or 2G (half of the machine's)");
    CLI::Option* threads = sub->add_option("--threads", a->threads, "Threads (all processors)");
    sub->add_flag("--resume", a->resume, "Go on with what the folder holds");
    sub->footer("Example:\n  broadloom weave card --out out/harbour");
    sub->callback([a, threads] { run(*a, threads_option(a->threads, threads->count() > 0)); });
}

}  // namespace broadloom::cli
