# Seams: ownership of the coarse canvas, and the labels of other canvases from it.
add_library(bl_moving_scene STATIC support/moving_scene.cpp)
target_include_directories(bl_moving_scene PUBLIC ${PROJECT_SOURCE_DIR}/tests)
target_link_libraries(bl_moving_scene PUBLIC bl_settle)

broadloom_test(label_grid_test unit/label_grid_test.cpp LINK bl_blend)
broadloom_test(grid_labels_test unit/grid_labels_test.cpp LINK bl_made_up bl_blend)
broadloom_test(seam_solver_test unit/seam_solver_test.cpp LINK bl_moving_scene)
broadloom_test(moved_things_test unit/moved_things_test.cpp LINK bl_moving_scene)

# OpenCV's cut and its seams as references; the folders and libraries are found in exactness.cmake.
broadloom_test(grid_cut_test unit/grid_cut_test.cpp LINK bl_settle ${OPENCV_CORE_LIBRARY})
broadloom_test(opencv_seam_test unit/opencv_seam_test.cpp LINK bl_moving_scene
  ${OPENCV_STITCHING_LIBRARY} ${OPENCV_IMGPROC_LIBRARY} ${OPENCV_CORE_LIBRARY})
foreach(test grid_cut_test opencv_seam_test)
  # As a system folder: OpenCV's headers are not clean under our warnings.
  target_include_directories(${test} SYSTEM PRIVATE ${OPENCV_STITCHING_INCLUDE_DIR})
endforeach()

# For looking at seams, not a test: the places of a finished result where they are seen most.
add_executable(worst_seams EXCLUDE_FROM_ALL bench/worst_seams.cpp)
target_link_libraries(worst_seams PRIVATE bl_base nlohmann_json::nlohmann_json PkgConfig::VIPS)
