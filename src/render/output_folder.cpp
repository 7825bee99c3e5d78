#include "render/output_folder.hpp"

#include <fcntl.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <cstring>
#include <fstream>
#include <nlohmann/json.hpp>
#include <vector>

#include "base/file_io.hpp"
#include "base/text.hpp"
#include "broadloom/error.hpp"
#include "render/checksums.hpp"
#include "render/seal.hpp"

namespace broadloom {

namespace fs = std::filesystem;

namespace {

constexpr std::array<const char*, 9> kFinalNames{"pano_files",   "pano.tif",      "tiff_tiles.txt",
                                                 "pano.settled", "checksums.txt", "pano.dzi",
                                                 "seams.js",     "index.html",    "report.json"};
constexpr std::array<const char*, 10> kWorkingNames{
    "pano_files.part", "pano.tif.part", "settled.part",   "scratch.part.tiles", "scratch.part.tiff",
    "checkpoint.part", "survey.part",   "checksums.part", "tiff_tiles.part",    "job.part"};

[[noreturn]] void refuse(ErrorCode code, const fs::path& folder, const std::string& what) {
    throw Error(code, "--out " + escaped(folder.string()) + ": " + what);
}

/// What write_file_atomic() leaves when the process is killed before it renames.
bool is_torn_write(const std::string& name) {
    return name.rfind(".broadloom-", 0) == 0 && name.size() > 4 &&
           name.compare(name.size() - 4, 4, ".tmp") == 0;
}

/// The job whose finished result stands in a folder; empty when none does. A damaged report says
/// nothing; then the first line of the list of TIFF tiles does.
std::string finished_identity(const fs::path& folder) {
    try {
        const std::string text = read_file_limited(folder / "report.json", 1U << 20);
        const auto json = nlohmann::json::parse(text);
        if (!json.contains("seal") || seal_holds(text)) return json.value("job", std::string());
    } catch (const std::exception&) {  // not a report of ours
    }
    std::ifstream list(folder / kTiffTilesName);
    std::string line(100, '\0');
    list.read(line.data(), static_cast<std::streamsize>(line.size()));
    line.resize(static_cast<size_t>(list.gcount()));
    line.resize(std::min(line.size(), line.find('\n')));
    return line.rfind("job ", 0) == 0 ? line.substr(4) : std::string();
}

}  // namespace

bool is_result_name(const std::string& name) {
    return std::any_of(kFinalNames.begin(), kFinalNames.end(),
                       [&](const char* known) { return name == known; });
}

OutputFolder::OutputFolder(fs::path folder, const std::string& identity, bool resume)
    : folder_(std::move(folder)), identity_(identity) {
    std::error_code failed;
    const auto status = fs::status(folder_, failed);
    if (fs::exists(status) && !fs::is_directory(status)) {
        refuse(ErrorCode::usage, folder_, "is a file; name a folder that is absent or empty");
    }
    if (!fs::exists(status)) {
        fs::create_directories(folder_, failed);
        if (failed) {
            refuse(
                ErrorCode::machine, folder_,
                "cannot be created: " + failed.message() + "; " + advice_for_errno(failed.value()));
        }
        created_ = true;
    }
    lock_ = open(folder_.c_str(), O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (lock_ < 0) {
        const int error = errno;
        refuse(ErrorCode::machine, folder_,
               std::string("cannot be opened: ") + std::strerror(error) + "; " +
                   advice_for_errno(error));
    }
    if (flock(lock_, LOCK_EX | LOCK_NB) != 0 && errno == EWOULDBLOCK) {
        close(lock_);
        refuse(ErrorCode::usage, folder_,
               "another render is writing there; wait for it or choose another folder");
    }

    const auto close_and_refuse = [&](ErrorCode code, const std::string& what) {
        close(lock_);
        lock_ = -1;
        refuse(code, folder_, what);
    };
    bool any = false;
    bool working = false;
    std::vector<fs::path> torn;
    std::string foreign;
    for (fs::directory_iterator it(folder_, failed), end; !failed && it != end;
         it.increment(failed)) {
        const std::string name = it->path().filename().string();
        any = any || !is_torn_write(name);
        const auto is = [&](const char* known) { return name == known; };
        if (std::any_of(kWorkingNames.begin(), kWorkingNames.end(), is)) {
            working = true;
        } else if (is_torn_write(name)) {
            torn.push_back(it->path());
        } else if (std::none_of(kFinalNames.begin(), kFinalNames.end(), is)) {
            foreign = name;
        }
    }
    if (failed) {
        close_and_refuse(ErrorCode::machine, "cannot be read: " + failed.message() + "; " +
                                                 advice_for_errno(failed.value()));
    }
    if (!foreign.empty()) {
        close_and_refuse(ErrorCode::usage, "holds other files (\"" + escaped(foreign) +
                                               "\"); name a folder that is absent or empty");
    }
    // What a repair left when it was cut off, beside a result that is finished all the same.
    if (working && !fs::exists(folder_ / "job.part", failed) &&
        finished_identity(folder_) == identity) {
        if (resume) remove_working_files();
        working = false;
    }
    if (working) {
        std::string owner;
        try {
            owner = read_file_limited(folder_ / "job.part", 4096);
        } catch (const Error&) {
            owner.clear();
        }
        if (owner != identity) {
            close_and_refuse(ErrorCode::usage,
                             "holds an interrupted render of another scene or with other options; "
                             "name another folder or empty this one");
        }
        if (!resume) {
            close_and_refuse(
                ErrorCode::usage,
                "holds an interrupted render of this scene; add --resume to finish it");
        }
        // The interruption may have come between the final names: they are taken back.
        const auto take_back = [&](const char* final_name, const fs::path& working_name) {
            std::error_code ignored;
            if (fs::exists(folder_ / final_name, ignored) && !fs::exists(working_name, ignored)) {
                fs::rename(folder_ / final_name, working_name, ignored);
            }
        };
        take_back("pano_files", working_tiles());
        take_back("pano.tif", working_tiff());
        take_back("pano.settled", working_settled());
        for (const char* name : {"checksums.txt", "tiff_tiles.txt", "pano.dzi", "seams.js",
                                 "index.html", "report.json"}) {
            std::error_code ignored;
            fs::remove(folder_ / name, ignored);
        }
        for (const fs::path& path : torn) fs::remove(path, failed);
        found_ = Found::interrupted;
        return;
    }
    if (any) {
        if (finished_identity(folder_) == identity) {
            found_ = Found::finished;
            complete_ = true;
            return;
        }
        close_and_refuse(
            ErrorCode::usage,
            "holds the result of another scene or of other options; name another folder "
            "or empty this one");
    }
    // The lock is ours and the folder is to be written: nobody else's working file is among these.
    for (const fs::path& path : torn) fs::remove(path, failed);
    try {
        write_file_atomic(folder_ / "job.part", identity);
    } catch (...) {
        if (created_) fs::remove(folder_, failed);
        close(lock_);
        throw;
    }
}

void OutputFolder::start_afresh() {
    for (const char* name : kWorkingNames) {
        std::error_code ignored;
        // What was decided before rendering holds as long as its own checksum does.
        if (folder_ / name != working_settled()) fs::remove_all(folder_ / name, ignored);
    }
    write_file_atomic(folder_ / "job.part", identity_);
    found_ = Found::empty;
}

bool OutputFolder::keep_for_resume() {
    std::error_code ignored;
    keep_ = fs::exists(checkpoint(), ignored);
    return keep_;
}

OutputFolder::~OutputFolder() {
    if (!complete_ && !keep_) {
        remove_working_files();
        std::error_code ignored;
        if (created_) fs::remove(folder_, ignored);  // only when empty
    }
    if (lock_ >= 0) close(lock_);
}

void OutputFolder::remove_working_files() noexcept {
    for (const char* name : kWorkingNames) {
        std::error_code ignored;
        fs::remove_all(folder_ / name, ignored);
    }
}

void OutputFolder::finish(const std::string& descriptor, const std::string& page,
                          const std::string& report, const std::string& seams) {
    const auto rename = [&](const fs::path& from, const char* to) {
        std::error_code failed;
        fs::rename(from, folder_ / to, failed);
        if (failed) {
            refuse(ErrorCode::machine, folder_,
                   std::string("\"") + to + "\" cannot get its name: " + failed.message() + "; " +
                       advice_for_errno(failed.value()));
        }
    };
    try {
        rename(working_tiles(), "pano_files");
        rename(working_tiff(), "pano.tif");
        std::error_code ignored;
        if (fs::exists(working_settled(), ignored)) rename(working_settled(), "pano.settled");
        rename(working_tiff_tiles(), "tiff_tiles.txt");
        rename(working_checksums(), "checksums.txt");
        sync_folder(folder_);
        write_file_atomic(folder_ / "pano.dzi", descriptor);
        if (!seams.empty()) write_file_atomic(folder_ / "seams.js", seams);
        write_file_atomic(folder_ / "index.html", page);
        write_file_atomic(folder_ / "report.json", report);
    } catch (...) {
        for (const char* name : kFinalNames) {
            std::error_code ignored;
            fs::remove_all(folder_ / name, ignored);
        }
        throw;
    }
    std::error_code ignored;
    fs::remove(checkpoint(), ignored);
    fs::remove(folder_ / "job.part", ignored);
    sync_folder(folder_);
    complete_ = true;
}

}  // namespace broadloom
